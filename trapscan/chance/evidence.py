"""Counts of the moves played in games, and how they are mixed with the model's chances."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import chess
import numpy as np

from trapscan.chance.net import rounded
from trapscan.contract import Problem
from trapscan.model import ChanceModel, Chances

BLEND_K = 120.0
"""Games the model's word is worth against games of a crowd: best of scripts/run fit_blend on 35,863 moves (flat from 80
to 200), where evidence and games foretold came from the same pool."""

PLAYER_K = 5.0
"""Games of one player that the model's word is worth: few, for it knows the habits of a crowd. The development games
carry no names, so it lies between what two stand-ins say (scripts/run fit_blend --players): 2 from a few very strong
accounts, 15 from groups of several players, which is too high. At 5 either loses 0.02 nats a move to its own best."""

LEVEL_WIDTH = 300.0
"""A rated game speaks for levels within this many Elo of the mover's rating (triangular weight)."""


@dataclass
class Evidence:
    """Counts by place and move (UCI). A place is a position (its EPD), or what stands after a move there: EPD, space,
    move (see `answers_to`). `rated` holds them by the mover's rating in steps of 100.

    `games` were read, `theirs` of them had the player asked for, `broken` broke off, `unread` of these at once.
    `passed` counts what is wrong by its kind, `problems` tells of the first.
    """

    counts: dict[str, Counter[str]] = field(default_factory=dict)
    rated: dict[str, dict[int, Counter[str]]] = field(default_factory=dict)
    games: int = 0
    theirs: int = 0
    unread: int = 0
    broken: int = 0
    passed: Counter[str] = field(default_factory=Counter)
    problems: list[Problem] = field(default_factory=list)

    def add(self, place: str, move: str, weight: int = 1, rating: int | None = None) -> None:
        """Count a move."""
        # a default made each time and thrown away again would cost more than the rest
        if place not in self.counts:
            self.counts[place] = Counter()
        self.counts[place][move] += weight
        if rating is not None:
            by_rating = self.rated.setdefault(place, {})
            step = rating // 100 * 100
            if step not in by_rating:
                by_rating[step] = Counter()
            by_rating[step][move] += weight

    def merge(self, other: Evidence) -> None:
        """Add what another reading found."""
        for place, counter in other.counts.items():
            self.counts.setdefault(place, Counter()).update(counter)
        for place, by_rating in other.rated.items():
            mine = self.rated.setdefault(place, {})
            for rating, counter in by_rating.items():
                mine.setdefault(rating, Counter()).update(counter)
        self.problems = (self.problems + other.problems)[:PROBLEMS_KEPT]
        self.games += other.games
        self.theirs += other.theirs
        self.unread += other.unread
        self.broken += other.broken
        self.passed.update(other.passed)

    def total(self, place: str) -> int:
        """Times the position occurred."""
        return sum(self.counts.get(place, Counter()).values())

    def played(self, place: str, move: str) -> int:
        """Times the move was played there."""
        return self.counts.get(place, Counter())[move]

    def at_levels(self, place: str, levels: Sequence[int]) -> list[dict[str, float]]:
        """Weighted counts a level. Games without a rating count the same at every level; a rated game counts in full
        at the mover's rating and fades to nothing LEVEL_WIDTH away."""
        plain = Counter(self.counts.get(place, Counter()))
        by_rating = sorted(self.rated.get(place, {}).items())
        for _, counter in by_rating:
            plain.subtract(counter)
        out = []
        for level in levels:
            weighted = {move: float(count) for move, count in plain.items() if count > 0}
            for rating, counter in by_rating:
                weight = 1 - abs(rating + 50 - level) / LEVEL_WIDTH
                if weight > 0:
                    for move, count in counter.items():
                        weighted[move] = weighted.get(move, 0.0) + weight * count
            out.append(weighted)
        return out

    def only(self, places: Iterable[str]) -> Evidence | None:
        """The counts of these places alone; None where there are none."""
        there = [place for place in places if place in self.counts]
        if not there:
            return None
        return Evidence(
            {place: self.counts[place] for place in there},
            {place: self.rated[place] for place in there if place in self.rated},
        )

    def digest(self) -> str:
        """A hash of the counts, the same whatever order they were added in."""
        plain = [self.counts, self.rated]
        return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()[:16]


PROBLEMS_KEPT = 20


def answers_to(epd: str, move: str) -> str:
    """The place after a move in a position."""
    return f"{epd} {move}"


def position_of(place: str) -> str:
    """The position (EPD) that a place belongs to."""
    return " ".join(place.split(" ", 4)[:4])


def blend(chances: Chances, counts: Sequence[Mapping[str, float]], k: float = BLEND_K) -> dict[str, tuple[float, ...]]:
    """(count + k * model) / (N + k) for every move and level, to six digits; `counts` holds one mapping a level (see
    at_levels). Counts of moves that are not legal here are left out."""
    columns = []
    for level, here in enumerate(counts):
        total = sum(count for move, count in here.items() if move in chances)
        mixed = [(here.get(move, 0.0) + k * shares[level]) / (total + k) for move, shares in chances.items()]
        columns.append(mixed)
    rows = rounded(np.array(columns)) if chances else np.zeros((len(counts), 0))
    return dict(zip(chances, map(tuple, rows.T.tolist()), strict=True))


class Blended(dict[str, tuple[float, ...]]):
    """Chances mixed with counts, which remember what they were made of: an engine's losses correct the model's part
    alone, since what people played they played."""

    def __init__(self, model: Chances, counts: Sequence[Mapping[str, float]], k: float) -> None:
        super().__init__(blend(model, counts, k))
        self.model, self.counts, self.k = model, counts, k


class CountedModel:
    """A ChanceModel that mixes counts from games into another one's chances, in one position and after its moves.

    Games of a crowd speak for the levels near their ratings. Games of one player (`one_player`) speak at every level,
    since they tell of that player and nobody else, and the model's word is worth less against them.
    """

    def __init__(self, base: ChanceModel, board: chess.Board, evidence: Evidence, *, one_player: bool) -> None:
        self._base, self._evidence, self._one_player = base, evidence, one_player
        self._k = PLAYER_K if one_player else BLEND_K
        here = board.epd()
        self._places = {here: here} if here in evidence.counts else {}
        for place in evidence.counts:
            if place.startswith(f"{here} "):
                after = board.copy(stack=False)
                after.push_uci(place[len(here) + 1 :])
                self._places[after.epd()] = place

    @property
    def name(self) -> str:
        """The other model's name, and the counts."""
        return f"{self._base.name}, counts {self._evidence.digest()}"

    def predict(self, boards: list[chess.Board], levels: tuple[int, ...]) -> list[Chances]:
        """See ChanceModel; `Blended` where there are counts."""
        return [
            self._mixed(board, chances, levels)
            for board, chances in zip(boards, self._base.predict(boards, levels), strict=True)
        ]

    def join(self, chances: Chances, losses: Mapping[str, tuple[float, float]], levels: tuple[int, ...]) -> Chances:
        """See ChanceModel."""
        if isinstance(chances, Blended):
            return blend(self._base.join(chances.model, losses, levels), chances.counts, chances.k)
        return self._base.join(chances, losses, levels)

    def _mixed(self, board: chess.Board, chances: Chances, levels: tuple[int, ...]) -> Chances:
        place = self._places.get(board.epd())
        if place is None:
            return chances
        if self._one_player:
            here = {move: float(count) for move, count in self._evidence.counts[place].items()}
            return Blended(chances, [here] * len(levels), self._k)
        return Blended(chances, self._evidence.at_levels(place, levels), self._k)
