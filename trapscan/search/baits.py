"""Which of our moves might be baits: screened cheaply, so that only the best few are examined in full.

Every legal move is searched once at the cheapest budget. Those that are nearly sound have their likely replies searched
a little deeper (what tempts people tempts a shallow search too), which gives a first V. The best of them are searched
again with twice as many nodes, and what is left is handed back for examination. Each question is a search of one
position on one line, so any engine will do.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field, replace

import chess

from trapscan.levels import at_level
from trapscan.model import ChanceModel, Chances, Evaluator, Examined, Line, Position, Query
from trapscan.score import Score
from trapscan.search.worth import Expected, level_scale
from trapscan.settings import Settings
from trapscan.stopping import NOISE_AT

LIKELY = 0.05
"""Replies of at least this chance at the chosen level decide what a move is worth: they are searched by themselves."""

MOST_REPLIES = 3
"""At most so many likely replies are searched when a move is screened."""

FINALISTS = 2
"""For each move that may be examined so many are searched with twice the nodes."""


@dataclass(slots=True)
class Prospect:
    """A move of ours on its way: the position after it, its score (ours), and its likely replies with their chances and
    their scores (ours)."""

    move: str
    board: chess.Board
    score: Score
    replies: dict[str, float] = field(default_factory=dict)
    scores: dict[str, Score] = field(default_factory=dict)

    def value(self, level: float, expected: Expected) -> float:
        """A first V: best play, and what the likely replies add."""
        best = expected(self.score, level)
        return best + sum(p * max(0.0, expected(self.scores[reply], level) - best) for reply, p in self.replies.items())


class Prospector:
    """Looks for baits with one evaluator, one chance model and fixed settings. `searches` and `nodes` count what was
    asked so far."""

    def __init__(self, evaluator: Evaluator, model: ChanceModel, settings: Settings, expected: Expected) -> None:
        self.evaluator, self.model, self.settings, self.expected = evaluator, model, settings, expected
        self.searches = self.nodes = 0

    def best(self, position: Position) -> Line:
        """Our best line in `position` (the search that its examination made as well)."""
        return self._ask(position.epd, self.settings.best_nodes)

    def price(self, best: Line, score: Score) -> float:
        """What a move of this score costs at best play, in expected score at the chosen level."""
        level = self.settings.level
        return self.expected(best.score, level) - self.expected(score, level)

    def second(self, position: Position, best: Line) -> str:
        """The move (UCI) that looks best after the first choice, at a glance; that one if there is no other."""
        board = position.board()
        others = [move.uci() for move in board.legal_moves if move.uci() != best.pv[0]]
        looked = [self._prospect(board, move, NOISE_AT) for move in sorted(others)]
        return min(looked, key=lambda p: (-p.score.plain, p.move)).move if looked else best.pv[0]

    def choose(self, position: Position, best: Line, known: Collection[str], value: float) -> tuple[str, ...]:
        """The moves (UCI) worth examining, at most `bait_verified`, the most promising first. `known` are moves that
        are no candidates (the repertoire's own), `value` is V of the move to beat at the chosen level.

        Raises trapscan.errors.EngineError when the evaluator gives no usable answer.
        """
        settings, board = self.settings, position.board()
        noise = level_scale(settings.level, self.expected) * settings.noise
        prospects = [
            self._prospect(board, move.uci(), NOISE_AT)
            for move in sorted(board.legal_moves, key=chess.Move.uci)
            if move.uci() not in known
        ]
        prospects = [p for p in prospects if self.price(best, p.score) <= settings.bait_price + noise]
        prospects.sort(key=lambda p: (self.price(best, p.score), p.move))
        prospects = prospects[: settings.bait_screened]
        for prospect in prospects:
            prospect.replies = self._likely(prospect.board)
        return self._finals(best, prospects, value, noise)

    def _finals(self, best: Line, prospects: list[Prospect], value: float, noise: float) -> tuple[str, ...]:
        settings = self.settings
        deep = max(settings.confirm_nodes, 2 * settings.bait_screen_nodes)
        rounds = (
            (NOISE_AT, settings.bait_screen_nodes, FINALISTS * settings.bait_verified, noise),
            (deep, deep, settings.bait_verified, noise / 2),
        )
        for budget, reply_budget, kept, slack in rounds:
            for prospect in prospects:
                self._search(prospect, budget, reply_budget)
            promising = [
                p
                for p in prospects
                if self.price(best, p.score) <= settings.bait_price + slack and self._promises(p, value)
            ]
            promising.sort(key=lambda p: (-p.value(settings.level, self.expected), p.move))
            prospects = promising[:kept]
        return tuple(prospect.move for prospect in prospects)

    def _promises(self, prospect: Prospect, value: float) -> bool:
        """Whether it brings half of what a bait must bring, over best play and over the move to beat."""
        level = self.settings.level
        ahead = prospect.value(level, self.expected) - max(value, self.expected(prospect.score, level))
        return ahead >= self.settings.bait_margin / 2

    def _prospect(self, board: chess.Board, move: str, budget: int) -> Prospect:
        after = board.copy()
        after.push_uci(move)
        return Prospect(move, after, self._ask(after.epd(), budget).score.of(board.turn))

    def _search(self, prospect: Prospect, budget: int, reply_budget: int) -> None:
        """The move and its likely replies, each by itself."""
        side = not prospect.board.turn
        prospect.score = self._ask(prospect.board.epd(), budget).score.of(side)
        for reply in prospect.replies:
            after = prospect.board.copy(stack=False)
            after.push_uci(reply)
            prospect.scores[reply] = self._ask(after.epd(), reply_budget).score.of(side)

    def _likely(self, board: chess.Board) -> dict[str, float]:
        chances = self.model.predict([board], (self.settings.level,))[0]
        likely = sorted(
            (move for move, p in chances.items() if p[0] >= LIKELY), key=lambda move: (-chances[move][0], move)
        )
        return {move: chances[move][0] for move in likely[:MOST_REPLIES]}

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
