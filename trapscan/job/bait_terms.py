"""The terms of a move that may be a bait: its price, what its slips bring, its balance against another move. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from trapscan.chance import chance_range, expected
from trapscan.job.work import Outcome
from trapscan.levels import at_level
from trapscan.model import Line, Position
from trapscan.score import Score
from trapscan.search import Net, Worth, best_play, net, worth
from trapscan.settings import Settings


@dataclass(frozen=True, slots=True)
class Tried:
    """A move of ours and the examination of the position after it. `price_scores`, where the price was measured again:
    our score before and after the move."""

    move: str
    position: Position
    outcome: Outcome
    price_scores: tuple[Score, Score] | None = None

    @property
    def at_best_play(self) -> Score:
        """Our score after the move."""
        best = self.outcome.examined.best.score
        return best.of(not best.side)


@dataclass(frozen=True, slots=True)
class BaitOutcome:
    """What came of searching a position of ours: our best line; the repertoire's move and its score at best play, if
    there is one; the moves examined, among them those that others are measured against. `measures` are these: the
    repertoire's move, or the engine's first choice and, for that one itself, the next best. `searches`, `nodes` and
    `asked` count all that was asked."""

    epd: str
    best: Line
    move: str | None
    score: Score | None
    measures: tuple[str, ...]
    tried: tuple[Tried, ...]
    searches: int
    nodes: int
    asked: tuple[int, ...]

    def measure(self, tried: Tried) -> Tried | None:
        """The move that `tried` is measured against; None: best play, since there is no other sound move."""
        by_move = {each.move: each for each in self.tried}
        return next((by_move[move] for move in self.measures if move != tried.move), None)


@dataclass(frozen=True, slots=True)
class Terms:
    """A move's worth, its prices per level, its balance against the move it is measured by, under the settings."""

    ours: Worth
    prices: tuple[float, ...]
    balance: Net
    settings: Settings

    @property
    def brings_enough(self) -> bool:
        """Whether its slips and its balance reach the margin, at the chosen level."""
        margin = self.settings.bait_margin
        return self._here(self.ours.slips) >= margin and self._here(self.balance.net) >= margin

    @property
    def within_limit(self) -> bool:
        """Whether its price does not exceed the limit, at the chosen level."""
        return self._here(self.prices) <= self.settings.bait_price

    def _here(self, by_level: Sequence[float]) -> float:
        return at_level(by_level, self.settings.levels, self.settings.level)


def terms(outcome: BaitOutcome, tried: Tried, settings: Settings) -> Terms:
    """The terms of one of the moves examined."""
    measure = outcome.measure(tried)
    before, after = tried.price_scores or (outcome.best.score, tried.at_best_play)
    ours = worth(tried.outcome.examined, settings, expected, chance_range)
    if measure is None:
        against = best_play(before, settings, expected)
        ours = replace(ours, best=tuple(expected(after, level) for level in settings.levels))
    else:
        against = worth(measure.outcome.examined, settings, expected, chance_range)
    prices = tuple(expected(before, level) - expected(after, level) for level in settings.levels)
    return Terms(ours, prices, net(ours, against), settings)


__all__ = ["BaitOutcome", "Terms", "Tried", "terms"]
