"""What is at stake in a position: how high a finding there could stand in the report, by a glance. Pure."""

from __future__ import annotations

from trapscan.job.glances import Glance
from trapscan.order import DAMPED
from trapscan.score import loss

ROUND = 24
"""So many positions are examined at least before it is asked again where most is at stake; later half as many as are
done. What lies past an end is known once that is examined."""

FURTHER, GLANCED = 4, 240
"""So many times as many positions as are examined next are glanced at, those that are reached most first; and so many
at least."""


GREAT = 0.25
"""A loss (objective expected score) beyond which more makes no difference."""


def left_open(glance: Glance) -> float:
    """What would be at stake if the position were reached in every game: the most that a move's chance, damped as in
    the report, and its loss make together. A small loss counts for little: a glance sees it where there is none."""
    if not glance.moves:
        return 0.0
    best = max((score for _, _, score in glance.moves), key=lambda score: score.plain)
    return max(
        float(chance**DAMPED) * min(GREAT, max(0.0, loss(best, score))) ** 2 for _, chance, score in glance.moves
    )


__all__ = ["FURTHER", "GLANCED", "ROUND", "left_open"]
