"""The job: wires the rooms together, runs them in parallel, and goes on where it was stopped."""

from trapscan.job.estimate import Estimate, estimate_scan, run_estimate
from trapscan.job.pipeline import Result, run_scan, scan
from trapscan.job.run import Stats
from trapscan.job.single_positions import joined_chances
from trapscan.progress import Progress

__all__ = [
    "Estimate",
    "Progress",
    "Result",
    "Stats",
    "estimate_scan",
    "joined_chances",
    "run_estimate",
    "run_scan",
    "scan",
]
