"""Reading the per-level lists of a finding at any level between."""

from __future__ import annotations

import math
from collections.abc import Sequence

from trapscan.model import Finding, Scan


def at_level(values: Sequence[float], levels: Sequence[int], level: float) -> float:
    """The value at `level`, linearly between the neighbours in `levels` (rising, in Elo), clamped at both ends.

    Raises ValueError when the two lists are empty or differ in length.
    """
    if not levels or len(values) != len(levels):
        raise ValueError(f"{len(values)} values for {len(levels)} levels")
    if level <= levels[0]:
        return float(values[0])
    for left, right, low, high in zip(levels, levels[1:], values, values[1:], strict=False):
        if level <= right:
            share = (level - left) / (right - left)
            return low + (high - low) * share
    return float(values[-1])


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
