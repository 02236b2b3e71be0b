"""Lists with one number per level, read at any level between."""

from __future__ import annotations

from collections.abc import Sequence


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
