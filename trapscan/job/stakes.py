"""What is at stake in a position: how high a finding there could stand in the report, by a glance. Pure."""

from __future__ import annotations

import math

from trapscan import rank
from trapscan.contract import Nature
from trapscan.job.glances import NODES, Glance
from trapscan.model import Signs
from trapscan.order import DAMPED
from trapscan.score import loss
from trapscan.settings import Settings

ROUND = 24
"""So many positions are examined at least before it is asked again where most is at stake; later half as many as are
done. What lies past an end is known once that is examined."""

FURTHER, GLANCED = 4, 240
"""So many times as many positions as are examined next are glanced at, those that are reached most first; and so many
at least."""


def left_open(glance: Glance, settings: Settings) -> float:
    """Where its likeliest great slip would stand if the position were reached in every game: the most that a move's
    worth as a tactic, its chance, damped as in the report, and the chance that it is a slip at all make together."""
    if not glance.moves:
        return 0.0
    best = max((score for _, _, score in glance.moves), key=lambda score: score.plain)
    noise = settings.noise_after(NODES) * math.sqrt(2)

    def of(chance: float, lost: float, worth: float) -> float:
        return worth * float(chance**DAMPED) * (1 + math.erf((lost - settings.threshold) / noise)) / 2

    return max(
        of(
            chance,
            loss(best, score),
            rank.worth(rank.Case(Nature.TACTIC, Signs(), best, score, chance, motif=False)),
        )
        for _, chance, score in glance.moves
    )


__all__ = ["FURTHER", "GLANCED", "ROUND", "left_open"]
