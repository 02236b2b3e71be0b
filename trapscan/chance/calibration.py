"""How far the chances of slips may be off: the calibration measured on games kept aside, as a range about a chance.

`scripts/check_chance calibration` put 16,930 slips, said at their chance, against how often they were played (4,150
positions, one a game). The table is that measurement, joined chances; the bins at which players above 1800 and below
1300 differ from the rest are rows of their own.
"""

from __future__ import annotations

import math
from itertools import pairwise

ALL = (
    (0.007, 0.009, 4993),
    (0.016, 0.014, 5262),
    (0.035, 0.031, 2796),
    (0.071, 0.069, 1937),
    (0.143, 0.150, 1152),
    (0.262, 0.290, 503),
    (0.438, 0.473, 226),
    (0.732, 0.672, 61),
)
"""(said, seen, moves): mean chance said, share seen, over so many moves; all levels."""

ABOVE_1800 = ((0.016, 0.011, 919), (0.035, 0.022, 445), (0.142, 0.113, 203))
BELOW_1300 = ((0.007, 0.019, 521),)

ERRORS = 2.0
"""Standard errors of the share seen that the range takes in on either side: about 95 of 100."""


def chance_range(chance: float, level: float) -> tuple[float, float]:
    """(low, high) about a chance of a slip at a level: the share seen, give or take ERRORS standard errors, as a factor
    on the chance said, between the bins linearly in the logarithm of the chance. The chance itself is always within."""
    if chance <= 0.0:
        return 0.0, 0.0
    rows = {row[0]: row for row in ALL}
    special = ABOVE_1800 if level > 1800 else BELOW_1300 if level < 1300 else ()
    for row in special:
        rows[min(rows, key=lambda said: abs(math.log(said / row[0])))] = row
    factors = [(math.log(row[0]), _factors(row)) for row in sorted(rows.values())]
    low, high = _between(factors, math.log(chance))
    return chance * low, min(1.0, chance * high)


def _factors(row: tuple[float, float, int]) -> tuple[float, float]:
    said, seen, moves = row
    error = ERRORS * math.sqrt(seen * (1 - seen) / moves)
    return min(1.0, max(0.0, seen - error) / said), max(1.0, (seen + error) / said)


def _between(factors: list[tuple[float, tuple[float, float]]], at: float) -> tuple[float, float]:
    if at <= factors[0][0]:
        return factors[0][1]
    for (left, low), (right, high) in pairwise(factors):
        if at <= right:
            share = (at - left) / (right - left)
            return low[0] + share * (high[0] - low[0]), low[1] + share * (high[1] - low[1])
    return factors[-1][1]
