"""What one of our moves is worth against people of a level: V = sum over replies of chance x E(after it), with a range.

Pure: from the examination of the position after the move. The side to move there is "theirs"; all values are
expected scores of ours, 0 to 1, one number per level.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from trapscan.model import Examined
from trapscan.score import OBJECTIVE_SCALE, Score, loss
from trapscan.settings import Settings

Expected = Callable[[Score, float], float]
"""Expected score of the score's own side between two players of a level."""

ChanceRange = Callable[[float], tuple[float, float]]
"""Chance of a slip -> the lowest and the highest that it may be."""

SEARCH_ERRORS = 2.0
"""Standard errors of the searches that a range takes in, as many as of the chances."""


@dataclass(frozen=True, slots=True)
class Worth:
    """A move of ours, per level. `best`: E at best play. `gain`: what weaker replies add to it, `slips` the part of it
    that verified slips add. `less`, `more`: by how much the chances may overstate and understate `gain`. `noise`: the
    error of `value` that comes from the searches."""

    best: tuple[float, ...]
    gain: tuple[float, ...]
    slips: tuple[float, ...]
    less: tuple[float, ...]
    more: tuple[float, ...]
    noise: tuple[float, ...]

    @property
    def value(self) -> tuple[float, ...]:
        """V(level)."""
        return tuple(best + gain for best, gain in zip(self.best, self.gain, strict=True))


def worth(after: Examined, settings: Settings, expected: Expected, chance_range: ChanceRange) -> Worth:
    """The worth of the move that leads to `after`.

    A reply within `sound` of the best one counts as the best: at that size a difference is the noise of a search. The
    replies that were not examined (each of a chance below `min_prior`, or past `max_candidates`) count as best play.
    """
    best = after.best.score
    weaker = [
        (move, score, budget, move in slipped)
        for slipped in [{slip.move for slip in after.slips}]
        for move, score, budget in (*((s.move, s.score, s.nodes) for s in after.slips), *after.others)
        if loss(best, score) >= settings.sound
    ]
    columns = []
    for i, level in enumerate(settings.levels):
        at_best = expected(best, level)
        gain = slips = less = more = noise = played = 0.0
        scale = level_scale(level, expected)
        for move, score, budget, verified in weaker:
            chance = after.chances[move][i]
            lost = max(0.0, at_best - expected(score, level))
            low, high = chance_range(chance)
            gain += chance * lost
            slips += chance * lost * verified
            less += (chance - low) * lost
            more += (high - chance) * lost
            noise += (chance * scale * noise_of(budget, settings)) ** 2
            played += chance
        noise += (max(0.0, 1 - played) * scale * noise_of(settings.best_nodes, settings)) ** 2
        columns.append((1 - at_best, gain, slips, less, more, math.sqrt(noise)))
    return Worth(*(tuple(column) for column in zip(*columns, strict=True)))


def best_play(score: Score, settings: Settings, expected: Expected) -> Worth:
    """The worth of best play by both sides from a position with this score (ours), searched with `best_nodes`."""
    nothing = tuple(0.0 for _ in settings.levels)
    error = noise_of(settings.best_nodes, settings)
    noise = tuple(level_scale(level, expected) * error for level in settings.levels)
    at_best = tuple(expected(score, level) for level in settings.levels)
    return Worth(at_best, nothing, nothing, nothing, nothing, noise)


@dataclass(frozen=True, slots=True)
class Net:
    """V of one move minus V of another, per level, with its range."""

    net: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]


def net(one: Worth, other: Worth) -> Net:
    """What `one` brings over `other`. The errors of the chances add up within a move, since they tend to one side, and
    are taken as independent between the two moves and of the noise of the searches."""
    middle = tuple(a - b for a, b in zip(one.value, other.value, strict=True))
    noise = [SEARCH_ERRORS * math.hypot(a, b) for a, b in zip(one.noise, other.noise, strict=True)]
    low = tuple(m - math.hypot(a, b, n) for m, a, b, n in zip(middle, one.less, other.more, noise, strict=True))
    high = tuple(m + math.hypot(a, b, n) for m, a, b, n in zip(middle, one.more, other.less, noise, strict=True))
    return Net(middle, low, high)


def pays_below(net: Sequence[float], levels: Sequence[int]) -> int | None:
    """The lowest level from which on `net` is positive nowhere; None when it still pays at the highest level."""
    ends = None
    for level, value in reversed(list(zip(levels, net, strict=True))):
        if value > 0:
            break
        ends = level
    return ends


def noise_of(budget: int, settings: Settings) -> float:
    """Standard error of a loss, objective expected score, after a search of `budget` nodes."""
    return settings.noise_after(budget)


def level_scale(level: float, expected: Expected) -> float:
    """How much less a few centipawns are worth at a level than on the objective scale."""
    few = 10
    slope = expected(Score(True, cp=few), level) - 0.5
    return slope / (few * math.log(10) / OBJECTIVE_SCALE / 4)
