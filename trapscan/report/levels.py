"""What is read off the per-level lists of findings: what must be known."""

from __future__ import annotations

from collections.abc import Sequence

from trapscan.contract import Finding


def must_know_at(finding: Finding, levels: Sequence[int], level: float) -> bool:
    """Whether the refutation must be known at the nearest of the scan's levels (the lower one of two)."""
    if len(finding.must_know) != len(levels) or not levels:
        return False
    nearest = min(range(len(levels)), key=lambda index: (abs(levels[index] - level), index))
    return finding.must_know[nearest]
