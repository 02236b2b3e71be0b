"""The job: wires the rooms together, runs them in parallel, and goes on where it was stopped."""

from trapscan.job.joined import joined_chances
from trapscan.job.pipeline import Result, scan
from trapscan.job.run import Progress, Stats

__all__ = ["Progress", "Result", "Stats", "joined_chances", "scan"]
