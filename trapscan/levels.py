"""Lists with one number per level, read at any level between."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from trapscan.errors import InputError

LEAST_ELO, MOST_ELO = 600, 2600
"""Levels that can be asked for."""


def check_level(level: float) -> None:
    """InputError where no such level can be asked for."""
    if not LEAST_ELO <= level <= MOST_ELO:
        raise InputError(f"level {level:g} is none between {LEAST_ELO} and {MOST_ELO}")


def at_level(values: Sequence[float], levels: Sequence[int], level: float) -> float:
    """The value at `level`, linearly between the neighbours in `levels` (rising, in Elo), the end values beyond them.

    Raises ValueError when the two lists are empty or differ in length.
    """
    if not levels or len(values) != len(levels):
        raise ValueError(f"{len(values)} values for {len(levels)} levels")
    if level <= levels[0]:
        return float(values[0])
    for left, right, low, high in zip(levels, levels[1:], values, values[1:], strict=False):
        if level <= right:
            return low + (high - low) * (level - left) / (right - left)
    return float(values[-1])


@dataclass(frozen=True, slots=True)
class Lens:
    """Reads the lists of one scan at one level."""

    levels: Sequence[int]
    level: float

    def value(self, values: Sequence[float]) -> float:
        """The number at the level; see `at_level`."""
        return at_level(values, self.levels, self.level)

    def flag(self, flags: Sequence[bool]) -> bool:
        """The answer at the nearest of the levels (the lower one of two); no where the list is empty."""
        if not flags:
            return False
        nearest = min(range(len(self.levels)), key=lambda index: (abs(self.levels[index] - self.level), index))
        return flags[nearest]
