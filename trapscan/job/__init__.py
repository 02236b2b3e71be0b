"""The job: wires the rooms together, runs them in parallel, and goes on where it was stopped."""

from trapscan.job.estimate import Estimate, estimate_scan
from trapscan.job.joined import joined_chances
from trapscan.job.pipeline import Result, scan
from trapscan.job.run import Progress, Stats

__all__ = ["Estimate", "Progress", "Result", "Stats", "estimate_scan", "joined_chances", "scan"]
