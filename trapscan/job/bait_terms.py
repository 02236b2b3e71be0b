"""The terms of a move that may be a bait: its price, what its slips bring, its balance against another move. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from trapscan.chance import chance_range, expected
from trapscan.job.positions import Outcome
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
    there is one; the moves examined, among them the one that the others are measured against, `measure` (None: best
    play). `searches`, `nodes` and `asked` count all that was asked."""

    epd: str
    best: Line
    move: str | None
    score: Score | None
    measure: str | None
    tried: tuple[Tried, ...]
    searches: int
    nodes: int
    asked: tuple[int, ...]

    def is_candidate(self, tried: Tried, position: Position) -> bool:
        """Whether a move examined in `position` may be a bait: neither the repertoire's nor the measure, and it invites
        a slip that can be punished."""
        known = {*position.prepared, self.measure}
        return tried.move not in known and any(told.slip.refutation for told in tried.outcome.told)


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
        return self.brings_enough_but(0.0)

    def brings_enough_but(self, error: float) -> bool:
        """Whether its slips reach the margin at the chosen level, and its balance may, being off by `error`."""
        margin = self.settings.bait_margin
        return self._here(self.ours.slips) >= margin and self._here(self.balance.net) + error >= margin

    @property
    def within_limit(self) -> bool:
        """Whether its price does not exceed the limit, at the chosen level."""
        return self._here(self.prices) <= self.settings.bait_price

    def _here(self, by_level: Sequence[float]) -> float:
        return at_level(by_level, self.settings.levels, self.settings.level)


def terms(outcome: BaitOutcome, tried: Tried, settings: Settings) -> Terms:
    """The terms of one of the moves examined."""
    measure = next((each for each in outcome.tried if each.move == outcome.measure), None)
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
