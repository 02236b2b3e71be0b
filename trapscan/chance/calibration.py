"""How far the chances of slips may be off: the calibration measured on games kept aside, as a range about a chance.

`scripts/run check_chance calibration --cross` put 55,396 slips, said at their joined chance, against how often they
were played (12,225 positions of games kept aside); it prints this table. In no bin do players below 1300, from 1300 to
1800, or above 1800 differ from all by more than two standard errors, so one table serves every level.
"""

from __future__ import annotations

import math
from itertools import pairwise

TABLE = (
    (0.0066, 0.0073, 16378),
    (0.0161, 0.0160, 16235),
    (0.0353, 0.0334, 9093),
    (0.0706, 0.0738, 6370),
    (0.1401, 0.1383, 4085),
    (0.2607, 0.2665, 1914),
    (0.4468, 0.4348, 966),
    (0.7534, 0.7324, 355),
)
"""(said, seen, moves): mean chance said, share seen, over so many moves."""

ERRORS = 2.0
"""Standard errors of the share seen that the range takes in on either side: about 95 of 100."""


def chance_range(chance: float) -> tuple[float, float]:
    """(low, high) about a chance of a slip: the share seen, give or take ERRORS standard errors, as a factor
    on the chance said, between the bins linearly in the logarithm of the chance. The chance itself is always within."""
    if chance <= 0.0:
        return 0.0, 0.0
    factors = [(math.log(row[0]), _factors(row)) for row in TABLE]
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
