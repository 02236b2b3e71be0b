"""Scores with their point of view, and what they are worth as expected points.

A `Score` belongs to a side. Centipawns and mates are both seen from that side: `Score(WHITE, mate=3)` says White
mates in three, `Score(WHITE, mate=-3)` says White is mated in three, and `Score(WHITE, mate=0)`
says White is already checkmated.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import chess

OBJECTIVE_SCALE = 400.0
"""Centipawns at which the objective expected score has odds of ten to one: E = 1/(1+10^(-cp/400))."""

CP_CEILING = 10_000
"""Centipawn value that stands for a mate wherever one plain number is needed (sorting, differences)."""


@dataclass(frozen=True, slots=True)
class Score:
    """An engine's score from the point of view of `side`: exactly one of `cp` (centipawns) and `mate` is set.

    `mate` counts moves (not plies); positive: `side` mates; negative: `side` is mated; 0: `side` is checkmated.
    """

    side: chess.Color
    cp: int | None = None
    mate: int | None = None

    def __post_init__(self) -> None:
        if (self.cp is None) == (self.mate is None):
            raise ValueError("a score is either centipawns or a mate")

    def of(self, side: chess.Color) -> Score:
        """This score seen from `side`. A delivered mate keeps its loser: see `mate_won`."""
        if side == self.side:
            return self
        if self.cp is not None:
            return Score(side, cp=-self.cp)
        assert self.mate is not None
        # mate 0 has no sign; from the winner's view it becomes "mate in 0 for me", written as mate 1 at its nearest
        return Score(side, mate=1 if self.mate == 0 else -self.mate)

    @property
    def mate_won(self) -> bool:
        """Whether `side` mates."""
        return self.mate is not None and self.mate > 0

    @property
    def mate_lost(self) -> bool:
        """Whether `side` is mated, now or by force."""
        return self.mate is not None and self.mate <= 0

    @property
    def plain(self) -> int:
        """Centipawns as one integer that orders scores; mates lie beyond +-(CP_CEILING - 1000)."""
        if self.cp is not None:
            return max(-CP_CEILING + 1000, min(CP_CEILING - 1000, self.cp))
        assert self.mate is not None
        return CP_CEILING - self.mate if self.mate > 0 else -CP_CEILING - self.mate

    def expected(self) -> float:
        """Objective expected score of `side`, 0 to 1: E = 1/(1+10^(-cp/400)); a mate is 1 or 0."""
        return expected_from_cp(self)

    def json(self) -> int | dict[str, int]:
        """As scan.json holds it: centipawns, or {"mate": n}."""
        return self.cp if self.cp is not None else {"mate": self.mate or 0}


def expected_from_cp(score: Score, per_cp: float = math.log(10) / OBJECTIVE_SCALE) -> float:
    """Expected score 1/(1+exp(-per_cp * cp)) of the score's own side; a mate is 1 or 0."""
    if score.mate is not None:
        return 1.0 if score.mate > 0 else 0.0
    assert score.cp is not None
    return 1.0 / (1.0 + math.exp(-per_cp * max(-20_000, min(20_000, score.cp))))


def score_of_expected(side: chess.Color, expected: float) -> Score:
    """The centipawns whose objective expected score for `side` is `expected`, held between CP_CEILING's ends."""
    odds = max(1e-12, expected) / max(1e-12, 1.0 - expected)
    return Score(side, cp=max(1 - CP_CEILING, min(CP_CEILING - 1, round(OBJECTIVE_SCALE * math.log10(odds)))))


def loss(best: Score, played: Score) -> float:
    """Objective expected score lost by `played` against `best`; both must be of the same side. May be negative."""
    if best.side != played.side:
        raise ValueError("scores of different sides cannot be compared")
    return best.expected() - played.expected()
