"""What is read off the per-level lists of findings: what must be known, and the ranking."""

from __future__ import annotations

import math
from collections.abc import Sequence

from trapscan.contract import Finding, Scan
from trapscan.levels import at_level


def must_know_at(finding: Finding, levels: Sequence[int], level: float) -> bool:
    """Whether the refutation must be known at the nearest of the scan's levels (the lower one of two)."""
    if len(finding.must_know) != len(levels) or not levels:
        return False
    nearest = min(range(len(levels)), key=lambda index: (abs(levels[index] - level), index))
    return finding.must_know[nearest]


def by_toll(findings: Sequence[Finding], scan: Scan, level: float) -> list[Finding]:
    """The findings, largest toll first at `level`; tolls that are equal to six places by id, so that the order is the
    same here, in the page's script, and on every machine."""

    def key(finding: Finding) -> tuple[int, str]:
        # a half is rounded up as the script does it: half-way between two levels such values are common
        return -math.floor(1e6 * at_level(finding.toll, scan.levels, level) + 0.5), finding.id

    return sorted(findings, key=key)
