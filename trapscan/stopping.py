"""When a search may end before its budget is spent: as soon as what was asked is settled. Here stands the one model of
an engine's noise, and how sure is sure enough."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

from trapscan.score import Score

NOISE_AT = 2_000
"""The nodes at which `noise` holds; it falls with a power of the nodes from there."""

LOOKS_BACK = 3
"""How many of the last iterations tell how steady a score is."""

SPARED = 0.02
"""What loses no more than this over the threshold is told where it is seen, and not searched for: a move is called
harmless once its loss is clear of the threshold and this."""

TOLD = 0.5
"""A slip must lose this share of its noise more than the threshold when its search is over: of many losses near it,
those that come out above are more often too high than too low."""

PUNISHES = 1.5
"""A second move is said to punish when what it keeps is so many times its noise over what is asked of it."""

REST_ITERATIONS, REST_WITHIN = 4, 0.03
"""A score has come to rest when so many iterations in a row lie within so much of each other."""
REST_LEAST, REST_MOST = 2 / 3, 4
"""A search for a score at rest takes from so many times to so many times its usual nodes."""
RESTLESS = 2
"""A score that has not come to rest when its search ends is the mean of so many last iterations."""

RULES = (SPARED, LOOKS_BACK)
"""What else an answer to a search that may end early depends on: part of its key in the store."""


class Iteration(NamedTuple):
    """One iteration of a search: the nodes so far, the score and the best move of the side to move."""

    nodes: int
    score: Score
    reply: str


@dataclass(frozen=True, slots=True, order=True)
class Noise:
    """Standard error of a loss by the nodes it was searched with, in objective expected score."""

    at_2000: float
    exponent: float

    def after(self, nodes: int) -> float:
        """The error of a score that moves about from one iteration to the next by just as much."""
        error: float = self.at_2000 * (max(1, nodes) / NOISE_AT) ** -self.exponent
        return error

    def of(self, iterations: Sequence[Iteration]) -> float:
        """The error of the last score: half of the usual one if it stands still."""
        usual = self.after(iterations[-1].nodes)
        recent = [iteration.score.expected() for iteration in iterations[-LOOKS_BACK:]]
        mean = sum(recent) / len(recent)
        swing = math.sqrt(sum((expected - mean) ** 2 for expected in recent) / len(recent))
        return usual / 2 + min(usual, swing)


@dataclass(frozen=True, slots=True, order=True)
class LossStop:
    """Ends a search once it is clear whether a move of the victim loses `threshold` of `best`, the expected score (0 to
    1) of the victim's best move. The position searched is the one after the move, or one further, in which the victim
    is to move again (`victim_moves`).

    A loss is clear when it is `sigmas` times its noise away: above the threshold, never before `confirm` nodes; below
    the threshold and what is `spared` above it, never before `least` nodes.
    """

    best: float
    threshold: float
    sigmas: float
    least: int
    confirm: int
    noise: Noise
    spared: float = SPARED
    victim_moves: bool = False

    def loss(self, score: Score) -> float:
        """What the victim has lost by a score of the side to move."""
        expected = score.expected()
        return self.best - (expected if self.victim_moves else 1.0 - expected)

    def for_noisier(self, times: float) -> LossStop:
        """The rule for an engine whose scores are so many times as noisy as those that `noise` was measured with."""
        noise = replace(self.noise, at_2000=self.noise.at_2000 * times)
        return replace(self, noise=noise, least=round(self.least * times), confirm=round(self.confirm * times))

    def is_clear(self, iterations: Sequence[Iteration]) -> bool:
        """Whether the loss is clear above the threshold."""
        return self.loss(iterations[-1].score) - self.threshold > self.sigmas * self.noise.of(iterations)

    def settled(self, iterations: Sequence[Iteration]) -> bool:
        """Whether the search may end after these iterations."""
        nodes, score, _ = iterations[-1]
        if nodes < min(self.least, self.confirm):
            return False
        if nodes >= self.confirm and self.is_clear(iterations):
            return True
        margin = self.sigmas * self.noise.of(iterations)
        return nodes >= self.least and self.threshold + self.spared - self.loss(score) > margin


@dataclass(frozen=True, slots=True, order=True)
class StableScoreStop:
    """Ends the search of a position for its best move once the score has come to rest: its last `iterations` lie
    `within` so much expected score of each other, never before `least` nodes. The last score of a search that ends at
    fixed nodes is that of an iteration which may have ended at half of them, and where scores still swing it misjudges
    the most. The score of a search that ends before it has come to rest is the mean of the last `mean` iterations.
    `usual` are the nodes for an engine that cannot be watched.
    """

    usual: int
    least: int
    within: float
    iterations: int
    mean: int

    @classmethod
    def around(cls, usual: int) -> StableScoreStop:
        """The rule for a search that usually takes about so many nodes."""
        least = max(1, round(REST_LEAST * usual))
        return cls(usual=usual, least=least, within=REST_WITHIN, iterations=REST_ITERATIONS, mean=RESTLESS)

    @property
    def most(self) -> int:
        """The nodes at which the search ends in any case: the budget of its query."""
        return REST_MOST * self.usual

    def for_noisier(self, times: float) -> StableScoreStop:
        """The rule for an engine whose scores are so many times as noisy."""
        usual, least = round(self.usual * times), round(self.least * times)
        return replace(self, usual=usual, least=least, within=self.within * times)

    def settled(self, iterations: Sequence[Iteration]) -> bool:
        """Whether the search may end after these iterations."""
        recent = [iteration.score.expected() for iteration in iterations[-self.iterations :]]
        rest = len(recent) == self.iterations and max(recent) - min(recent) <= self.within
        return rest and iterations[-1].nodes >= self.least


def steps(least: int, most: int, factor: int = 4) -> tuple[int, ...]:
    """Budgets from `least` to `most`, for engines that cannot be watched while they search and are asked anew."""
    budgets = [least]
    while budgets[-1] * factor < most:
        budgets.append(budgets[-1] * factor)
    return tuple(dict.fromkeys((*budgets, most)))
