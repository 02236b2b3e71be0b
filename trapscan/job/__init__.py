"""The job: wires the rooms together, runs them in parallel, and goes on where it was stopped."""

from trapscan.job.run import Progress, Stats
from trapscan.job.pipeline import Result, scan

__all__ = ["Progress", "Result", "Stats", "scan"]
