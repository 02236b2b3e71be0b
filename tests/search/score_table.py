"""A plain table of scores in the place of an engine, a chance model that knows nothing, and short ways to ask them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import chess

from trapscan.model import Chances, Evaluation, Examined, Line, Position, Query
from trapscan.score import Score
from trapscan.search import Examiner
from trapscan.search.examine import NeedsMore
from trapscan.settings import Budget, Settings
from trapscan.stopping import Iteration

BEST, CONFIRM, SIDE = 50_000, 8_000, 5_000
RESTED = 64_000
"""Nodes of the table's first iteration with two thirds of BEST or more: a score that stands still is at rest there."""
LIKELY = Budget(chance=0.1, least=16_000, most=64_000, sigmas=1.5)
RARE = Budget(chance=0.0, least=2_000, most=32_000, sigmas=1.0)
SETTINGS = Settings(
    budgets=(LIKELY, RARE),
    noise=0.06,
    noise_exponent=0.5,
    best_nodes=BEST,
    confirm_nodes=CONFIRM,
    refutation_nodes=SIDE,
    min_prior=0.004,
    min_chance=0.01,
    threshold=0.10,
    levels=(1000, 2000),
    level=1000,
)
# E = 1/(1 + 10^(-cp/400)). Against a best of 0 (E 0.5) 66 centipawns are a loss of 0.0939, 71 of 0.1008, 75 of 0.1063,
# 77 of 0.1090, 78 of 0.1104. The noise of a score that stands still is 0.0106 after 16,000 nodes, 0.0075 after 32,000:
# 77 is clear of 0.12 there and spared, 78 is clear of neither 0.12 nor 0.10, and over the threshold in the end.
DROPPED, KEPT = 77, 78
CLEAR = 400

Told = Mapping[int, list[tuple[str, int]]]
"""From a budget on: (line, centipawns of the side to move) of each line."""


@dataclass
class Table:
    """Answers from a table; what it does not hold is equal, with the first legal move, and other moves lose. After the
    first move of a line that it tells, the score is that line's, if nothing else is told. Remembers the questions."""

    says: dict[str, Told] = field(default_factory=dict)
    multipv: bool = True
    steady: bool = True
    asked: list[Query] = field(default_factory=list)
    nodes: list[tuple[str, int]] = field(default_factory=list)

    def __post_init__(self) -> None:
        for epd, told in tuple(self.says.items()):
            for pv, cp in told[max(told)]:
                first, *rest = pv.split()
                board = chess.Board(epd + " 0 1")
                board.push_uci(first)
                if not board.is_game_over():
                    line = " ".join(rest) or min(move.uci() for move in board.legal_moves)
                    self.says.setdefault(board.epd(), {0: [(line, -cp)]})

    def evaluate(self, query: Query) -> Evaluation:
        self.asked.append(query)
        answer = self._answer(query)
        self.nodes.append((query.epd, answer.nodes))
        return answer

    def _answer(self, query: Query) -> Evaluation:
        if query.until is None:
            return self._at(query, query.budget)
        trail: list[Iteration] = []
        for nodes in (1_000, *(2_000 * 2**i for i in range(12))):
            if nodes > query.budget:
                break
            answer = self._at(query, nodes)
            trail.append(Iteration(answer.nodes, answer.best.score, "".join(answer.best.pv[:1])))
            if not answer.best.pv or query.until.settled(trail):
                break
        return Evaluation(answer.lines, answer.nodes, trail=tuple(trail))

    def _at(self, query: Query, budget: int) -> Evaluation:
        board = chess.Board(query.epd + " 0 1")
        if board.is_checkmate():
            return Evaluation((Line(Score(board.turn, mate=0), ()),), nodes=0)
        if board.is_stalemate():
            return Evaluation((Line(Score(board.turn, cp=0), ()),), nodes=0)
        told = self.says.get(query.epd, {})
        fitting = [nodes for nodes in told if nodes <= budget]
        quiet = [(min(move.uci() for move in board.legal_moves), 0)]
        lines = list(told[max(fitting)] if fitting else quiet)
        named = {pv.split()[0] for pv, _ in lines}
        lines += [(move, -900) for move in sorted(m.uci() for m in board.legal_moves) if move not in named]
        return Evaluation(
            tuple(Line(Score(board.turn, cp=cp), tuple(pv.split())) for pv, cp in lines[: query.lines]), budget
        )

    def spent(self, epd: str) -> list[int]:
        """Nodes of each search of a position, in order."""
        return [nodes for asked, nodes in self.nodes if asked == epd]


@dataclass
class Flat:
    """A chance model that knows nothing, and may change chances once losses are known."""

    joined: Chances = field(default_factory=dict)
    losses: list[Mapping[str, tuple[float, float]]] = field(default_factory=list)
    name: str = "flat"

    def predict(self, boards: list[chess.Board], levels: tuple[int, ...]) -> list[Chances]:
        return [{move.uci(): (1 / b.legal_moves.count(),) * len(levels) for move in b.legal_moves} for b in boards]

    def join(self, chances: Chances, losses: Mapping[str, tuple[float, float]], levels: tuple[int, ...]) -> Chances:
        self.losses.append(losses)
        return {**chances, **self.joined}


def at(moves: str = "", *, fen: str = chess.STARTING_FEN, prepared: tuple[str, ...] = ()) -> Position:
    board = chess.Board(fen)
    for move in moves.split():
        board.push_uci(move)
    return Position(board.epd(), fen, tuple(moves.split()), 1, prepared)


def after(position: Position, *moves: str) -> str:
    board = position.board()
    for move in moves:
        board.push_uci(move)
    return board.epd()


def only(position: Position, **chances: float) -> dict[str, tuple[float, float]]:
    """Chances of all legal moves: those named, and nothing for the others."""
    return {m.uci(): (chances.get(m.uci(), 0.0),) * 2 for m in position.board().legal_moves}


def examine(
    position: Position,
    table: Table,
    *,
    model: Flat | None = None,
    settings: Settings = SETTINGS,
    needs_more: NeedsMore | None = None,
    **chances: float,
) -> Examined:
    examiner = Examiner(table, model or Flat(), settings, needs_more=needs_more)
    return examiner.examine(position, only(position, **chances))


START = at()
F3 = after(START, "f2f3")
