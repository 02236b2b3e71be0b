"""When a search may end before its budget is spent: as soon as what was asked is settled."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

NOISE_AT = 2_000
"""The nodes at which `Until.noise` holds; it falls with a power of the nodes from there."""

SLIP_SHARE = 1.2
"""A slip must be a little clearer than a harmless move: what is told must be true (measured:
docs/measurements.md, True)."""

LOOKS_BACK = 3
"""How many of the last iterations tell how steady a score is."""

RULES = (SLIP_SHARE, LOOKS_BACK)
"""What else an answer to a search that may end early depends on: part of its key in the store."""

CALM_LOOKS, CALM_WITHIN = 4, 0.03
"""A score has come to rest when so many iterations in a row lie within so much of each other (measured:
docs/measurements.md, At rest)."""
CALM_LEAST, CALM_MOST = 2 / 3, 4
"""A search for a score at rest takes from so many times to so many times its usual nodes."""
RESTLESS = 2
"""A score that has not come to rest when its search ends is the mean of so many last iterations."""


@dataclass(frozen=True, slots=True, order=True)
class Until:
    """Ends the search of a position after a candidate move once the move is clearly a slip or clearly none.

    `best` is the expected score (0 to 1) of the victim's best move, `threshold` the loss that makes a slip. A loss is
    clear of the threshold when it is `clear` times its noise away; never before `least` nodes if that makes the move
    harmless, nor before `confirm` nodes if it makes it a slip. The noise of a loss after n nodes is taken as
    noise * (n / NOISE_AT) ** -fall for a score that moves about from one iteration to the next by just as much,
    half of it for a score that stands still (measured: docs/measurements.md, Search).
    """

    best: float
    threshold: float
    clear: float
    least: int
    confirm: int
    noise: float
    fall: float

    def loss(self, punisher: float) -> float:
        """What the victim has lost when the punisher, to move, expects this much."""
        return self.best - (1.0 - punisher)

    def for_noisier(self, times: float) -> Until:
        """The same for an engine whose scores are so many times as noisy as those that `noise` was measured with."""
        return replace(
            self, noise=self.noise * times, least=round(self.least * times), confirm=round(self.confirm * times)
        )

    def for_victim(self) -> Until:
        """The same about a position in which the victim is to move, after a reply of the punisher: what punishes looks
        like a harmless move from there, so `least` and `confirm` change places."""
        mirrored = 1.0 - self.best + 2.0 * self.threshold
        return replace(self, best=mirrored, least=self.confirm, confirm=self.least)

    def settled(self, trail: Sequence[tuple[int, float]], replies: Sequence[str] = ()) -> bool:
        """Whether the search may end after these iterations: (nodes so far, expected score of the side to move).

        `replies` are the best moves of the iterations: a slip is settled only once its refutation has stood for
        LOOKS_BACK of them, since the first move that is seen to punish is often not the one that does.
        """
        nodes = trail[-1][0]
        if nodes < min(self.least, self.confirm):
            return False
        lost = self.loss(trail[-1][1])
        margin = self.clear * self._noise(trail)
        if lost >= self.threshold:
            steady = len(set(replies[-LOOKS_BACK:])) <= 1
            return steady and nodes >= self.confirm and lost - self.threshold > SLIP_SHARE * margin
        return nodes >= self.least and self.threshold - lost > margin

    def _noise(self, trail: Sequence[tuple[int, float]]) -> float:
        usual: float = self.noise * (max(1, trail[-1][0]) / NOISE_AT) ** -self.fall
        recent = [expected for _, expected in trail[-LOOKS_BACK:]]
        mean = sum(recent) / len(recent)
        swing = math.sqrt(sum((expected - mean) ** 2 for expected in recent) / len(recent))
        return usual / 2 + min(usual, swing)


@dataclass(frozen=True, slots=True, order=True)
class Calm:
    """Ends the search of a position for its best move once the score has come to rest: its last `looks` iterations lie
    `within` so much expected score of each other, never before `least` nodes. The last score of a search that ends at
    fixed nodes is that of an iteration which may have ended at half of them, and where scores still swing it misjudges
    the most. The score of a search that ends before it has come to rest is the mean of the last `mean` iterations.
    `usual` are the nodes for an engine that cannot be watched.
    """

    usual: int
    least: int
    within: float
    looks: int
    mean: int

    @classmethod
    def around(cls, usual: int) -> Calm:
        """The rule for a search that usually takes about so many nodes."""
        least = max(1, round(CALM_LEAST * usual))
        return cls(usual=usual, least=least, within=CALM_WITHIN, looks=CALM_LOOKS, mean=RESTLESS)

    @property
    def most(self) -> int:
        """The nodes at which the search ends in any case: the budget of its query."""
        return CALM_MOST * self.usual

    def for_noisier(self, times: float) -> Calm:
        """The same for an engine whose scores are so many times as noisy."""
        usual, least = round(self.usual * times), round(self.least * times)
        return replace(self, usual=usual, least=least, within=self.within * times)

    def settled(self, trail: Sequence[tuple[int, float]], replies: Sequence[str] = ()) -> bool:
        """Whether the search may end after these iterations: (nodes so far, expected score). `replies` do not count."""
        recent = [expected for _, expected in trail[-self.looks :]]
        rest = len(recent) == self.looks and max(recent) - min(recent) <= self.within
        return rest and trail[-1][0] >= self.least


def steps(least: int, most: int, factor: int = 4) -> tuple[int, ...]:
    """Budgets from `least` to `most`, for engines that cannot be watched while they search and are asked anew."""
    budgets = [least]
    while budgets[-1] * factor < most:
        budgets.append(budgets[-1] * factor)
    return tuple(dict.fromkeys((*budgets, most)))
