"""Which of our moves might be baits: screened cheaply, so that only the best few are examined in full.

Every legal move is searched once at the cheapest budget, and those that this does not rule out by far a second time: a
move that gives something up looks bad at a glance. The likely replies to the nearly sound ones are searched too (what
tempts people tempts a shallow search as well), which gives a first V. Those of the best are searched again with twice
as many nodes, and what is left is handed back for examination, the most promising first. Each question is a search of
one position on one line, so any engine will do.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace

import chess

from trapscan.levels import at_level
from trapscan.model import ChanceModel, Chances, Evaluator, Examined, Line, Position, Query
from trapscan.score import Score
from trapscan.search.worth import Expected, level_scale, noise_of
from trapscan.settings import Settings
from trapscan.stopping import NOISE_AT

LIKELY = 0.05
"""Replies of at least this chance at the chosen level decide what a move is worth: they are searched by themselves."""

MOST_REPLIES = 3
"""At most so many likely replies are searched when a move is screened."""

FINALISTS = 2
"""For each move that may be examined so many have their replies searched with twice the nodes."""

GLANCE_SLACK, LOOK_SLACK = 4.0, 3.0
"""By how many standard errors of its search a move may exceed the price limit and still be looked at further. Of the
classic baits within the limit six cost 0.08 to 0.10 at a glance of 2,000 nodes, and at most 0.05 after 20,000 (level
1200, Stockfish; `scripts/run check_baits`)."""

PRICE_TIMES = 4
"""So many times as many nodes measure a price that is near the limit."""

MUCH = 5.0
"""A move that promises so many times what a bait must bring promises much."""


@dataclass(slots=True)
class Prospect:
    """A move of ours on its way: the position after it, its score (ours), and its likely replies with their chances and
    their scores (ours). `promise` is what it is ahead by a first V, over best play and over the move to beat, in units
    of what a bait must bring."""

    move: str
    board: chess.Board
    score: Score
    replies: dict[str, float] = field(default_factory=dict)
    scores: dict[str, Score] = field(default_factory=dict)
    promise: float = 0.0

    def value(self, level: float, expected: Expected) -> float:
        """A first V: best play, and what the likely replies add."""
        return expected(self.score, level) + sum(self._adds(level, expected).values())

    def lure(self, level: float, expected: Expected) -> str:
        """The likely reply that adds most to it, or nothing."""
        adds = self._adds(level, expected)
        return max(sorted(adds), key=adds.__getitem__) if adds else ""

    def _adds(self, level: float, expected: Expected) -> dict[str, float]:
        best = expected(self.score, level)
        return {reply: p * max(0.0, expected(self.scores[reply], level) - best) for reply, p in self.replies.items()}


class Prospector:
    """Looks for baits with one evaluator, one chance model and fixed settings. `searches` and `nodes` count what was
    asked so far."""

    def __init__(self, evaluator: Evaluator, model: ChanceModel, settings: Settings, expected: Expected) -> None:
        self.evaluator, self.model, self.settings, self.expected = evaluator, model, settings, expected
        self.searches = self.nodes = 0

    def price(self, best: Line, score: Score) -> float:
        """What a move of this score costs at best play, in expected score at the chosen level."""
        level = self.settings.level
        return self.expected(best.score, level) - self.expected(score, level)

    def scores_of_price(self, position: Position, after: Position) -> tuple[Score, Score]:
        """Our score in `position` and in the one after our move, by a search of PRICE_TIMES as many nodes as usual."""
        budget = PRICE_TIMES * self.settings.best_nodes
        before, later = self._ask(position.epd, budget).score, self._ask(after.epd, budget).score
        return before, later.of(before.side)

    def choose(self, position: Position, best: Line, known: Collection[str], value: float) -> list[Prospect]:
        """The moves worth examining, the most promising first. `known` are moves that are no candidates (the
        repertoire's own, and what is examined anyway), `value` is what the move to beat is worth by the same few
        replies (`first_value`), or best play.

        Raises trapscan.errors.EngineError when the evaluator gives no usable answer.
        """
        settings, board = self.settings, position.board()
        prospects = [
            self._prospect(board, move.uci(), NOISE_AT)
            for move in sorted(board.legal_moves, key=chess.Move.uci)
            if move.uci() not in known
        ]
        prospects = self._near(best, prospects, GLANCE_SLACK * self.noise(NOISE_AT))
        for prospect in prospects:
            prospect.score = self._ask(prospect.board.epd(), self._closer).score.of(board.turn)
        prospects = self._near(best, prospects, LOOK_SLACK * self.noise(self._closer))[: settings.bait_screened]
        for prospect in prospects:
            prospect.replies = self._likely(prospect.board)
        for budget, kept in (
            (settings.bait_screen_nodes, FINALISTS * settings.bait_verified),
            (self._closer, settings.bait_verified),
        ):
            for prospect in prospects:
                self._search_replies(prospect, budget)
            prospects = self._promising(prospects, value, kept)
        return prospects

    def first_value(self, after: Examined) -> float:
        """V of a move that was examined, by as few of its replies as a first V takes: `after` is what follows it."""
        level, levels = self.settings.level, self.settings.levels
        theirs = {slip.move: slip.score for slip in after.slips} | {move: score for move, score, _ in after.others}
        chances = {move: at_level(after.chances[move], levels, level) for move in theirs}
        replies = _likeliest(chances)
        ours = not after.best.score.side
        scores = {move: theirs[move].of(ours) for move in replies}
        board = chess.Board(f"{after.epd} 0 1")
        return Prospect("", board, after.best.score.of(ours), replies, scores).value(level, self.expected)

    def _near(self, best: Line, prospects: Sequence[Prospect], slack: float) -> list[Prospect]:
        """Those within the price limit and some slack, the cheapest first."""
        near = [p for p in prospects if self.price(best, p.score) <= self.settings.bait_price + slack]
        return sorted(near, key=lambda p: (self.price(best, p.score), p.move))

    def _promising(self, prospects: Sequence[Prospect], value: float, kept: int) -> list[Prospect]:
        """Those that promise half of what a bait must bring: the best of them, and all that promise much. Moves that
        promise enough by a reply of their own come before those that set the same trick as a better one."""
        level = self.settings.level
        for p in prospects:
            ahead = p.value(level, self.expected) - max(value, self.expected(p.score, level))
            p.promise = ahead / max(self.settings.bait_margin, 1e-6)
        promising = [p for p in prospects if p.promise >= 0.5]
        promising.sort(key=lambda p: (-p.value(level, self.expected), p.move))
        lures = [p.lure(level, self.expected) for p in promising]
        new = [p.promise >= 1.0 and lures[place] not in lures[:place] for place, p in enumerate(promising)]
        ordered = [promising[place] for place in sorted(range(len(promising)), key=lambda place: not new[place])]
        return [p for place, p in enumerate(ordered) if place < kept or p.promise >= MUCH]

    @property
    def _closer(self) -> int:
        return max(self.settings.confirm_nodes, 2 * self.settings.bait_screen_nodes)

    def noise(self, budget: int) -> float:
        """Standard error of a score after so many nodes, in expected score at the chosen level."""
        return level_scale(self.settings.level, self.expected) * noise_of(budget, self.settings)

    def _prospect(self, board: chess.Board, move: str, budget: int) -> Prospect:
        after = board.copy()
        after.push_uci(move)
        return Prospect(move, after, self._ask(after.epd(), budget).score.of(board.turn))

    def _search_replies(self, prospect: Prospect, budget: int) -> None:
        side = not prospect.board.turn
        for reply in prospect.replies:
            after = prospect.board.copy(stack=False)
            after.push_uci(reply)
            prospect.scores[reply] = self._ask(after.epd(), budget).score.of(side)

    def _likely(self, board: chess.Board) -> dict[str, float]:
        chances = self.model.predict([board], (self.settings.level,))[0]
        return _likeliest({move: by_level[0] for move, by_level in chances.items()})

    def refine(self, after: Examined, board: chess.Board) -> Examined:
        """The same examination with every likely reply searched at least at the screening budget: what settles whether
        a reply is a slip is too coarse for its value. `board` is the position after our move."""
        others = tuple(
            (move, self._value_of(board, move), self.settings.bait_screen_nodes)
            if budget < self.settings.bait_screen_nodes and self._counts(after.chances, move)
            else (move, score, budget)
            for move, score, budget in after.others
        )
        return replace(after, others=others)

    def _counts(self, chances: Chances, move: str) -> bool:
        return at_level(chances[move], self.settings.levels, self.settings.level) >= LIKELY

    def _value_of(self, board: chess.Board, move: str) -> Score:
        after = board.copy(stack=False)
        after.push_uci(move)
        return self._ask(after.epd(), self.settings.bait_screen_nodes).score.of(board.turn)

    def _ask(self, epd: str, budget: int) -> Line:
        evaluation = self.evaluator.evaluate(Query(epd, budget))
        self.searches += 1
        self.nodes += evaluation.nodes
        return evaluation.best


def _likeliest(chances: Mapping[str, float]) -> dict[str, float]:
    likely = sorted((move for move, p in chances.items() if p >= LIKELY), key=lambda move: (-chances[move], move))
    return {move: chances[move] for move in likely[:MOST_REPLIES]}
