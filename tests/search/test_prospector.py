"""Screening for baits against a plain table: which moves are handed on, and what it costs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import chess
import msgspec
import pytest

from trapscan.chance import expected
from trapscan.model import Chances, Evaluation, Examined, Line, Position, Query, Slip
from trapscan.score import Score
from trapscan.search import Prospector
from trapscan.settings import Settings
from trapscan.stopping import NOISE_AT

SCREEN = 3000
SETTINGS = Settings(
    noise=0.03,
    best_nodes=10_000,
    confirm_nodes=5000,
    levels=(1200, 2000),
    level=1200,
    bait_price=0.03,
    bait_margin=0.02,
    bait_screened=30,
    bait_screen_nodes=SCREEN,
    bait_verified=1,
)
BEST = Line(Score(chess.WHITE, cp=0), ("a2a3",))
POSITION = Position(chess.Board().epd(), chess.STARTING_FEN, (), 1)


def after(*moves: str) -> str:
    board = chess.Board()
    for move in moves:
        board.push_uci(move)
    return board.epd()


@dataclass
class Table:
    """Positions are equal but for those it knows: by EPD the score of the side to move, from a budget on."""

    says: Mapping[str, Mapping[int, int]]
    multipv: bool = False
    steady: bool = True
    asked: list[Query] = field(default_factory=list)

    def evaluate(self, query: Query) -> Evaluation:
        self.asked.append(query)
        board = chess.Board(query.epd + " 0 1")
        told = self.says.get(query.epd, {0: 0})
        cp = told[max(budget for budget in told if budget <= query.budget)]
        move = min(m.uci() for m in board.legal_moves)
        return Evaluation((Line(Score(board.turn, cp=cp), (move,)),), query.budget)


@dataclass
class Likely:
    """Everybody plays the named reply with its chance; the rest is spread evenly."""

    named: Mapping[str, Mapping[str, float]]
    name: str = "likely"

    def predict(self, boards: list[chess.Board], levels: tuple[int, ...]) -> list[Chances]:
        return [self._one(board, len(levels)) for board in boards]

    def _one(self, board: chess.Board, levels: int) -> Chances:
        named = self.named.get(board.epd(), {})
        moves = [m.uci() for m in board.legal_moves]
        rest = (1 - sum(named.values())) / (len(moves) - len(named))
        return {m: (named.get(m, rest),) * levels for m in moves}

    def join(self, chances: Chances, losses: Mapping[str, tuple[float, float]], levels: tuple[int, ...]) -> Chances:
        return chances


def choose(table: Table, model: Likely, value: float = 0.5, known: tuple[str, ...] = ()) -> tuple[str, ...]:
    prospector = Prospector(table, model, SETTINGS, expected)
    chosen = tuple(prospect.move for prospect in prospector.choose(POSITION, BEST, known, value))
    assert prospector.searches == len(table.asked)
    assert prospector.nodes == sum(query.budget for query in table.asked)
    return chosen


LURED = Likely({after("b2b3"): {"h7h5": 0.5}, after("g1h3"): {"h7h5": 0.5}})
WRONG = {after("b2b3", "h7h5"): {0: 400}, after("g1h3", "h7h5"): {0: 300}}
"""After 1.b3 h5 and 1.Nh3 h5 White, to move, has won something (invented)."""


def test_the_move_whose_likely_reply_is_a_slip() -> None:
    assert choose(Table(WRONG), LURED) == ("b2b3",), "bait_verified: only the better one"


def test_nothing_where_nobody_errs() -> None:
    assert choose(Table({}), LURED) == ()


def test_moves_of_the_repertoire_are_no_candidates() -> None:
    assert choose(Table(WRONG), LURED, known=("b2b3",)) == ("g1h3",)


def test_a_dear_move_is_none() -> None:
    dear = {after("b2b3"): {0: 300}}  # Black, to move, is better by far
    assert choose(Table(WRONG | dear), LURED) == ("g1h3",)


def test_the_confirming_budget_has_the_last_word() -> None:
    shallow = WRONG | {after("b2b3", "h7h5"): {0: 400, 6000: 0}, after("g1h3"): {0: 0, 6000: 300}}
    table = Table(shallow)
    assert choose(table, LURED) == ()
    assert {query.budget for query in table.asked} == {NOISE_AT, SCREEN, 2 * SCREEN}


def test_a_move_that_looks_dear_at_a_glance_gets_a_second_look() -> None:
    """As 7.O-O-O in the Halosar trap: 0.10 at 2,000 nodes, 0.02 at 20,000 (level 1200, Stockfish). Beyond any doubt
    it gets none."""
    doubtful = {after("b2b3"): {0: 75, 2 * SCREEN: 0}, after("g1h3"): {0: 300, 2 * SCREEN: 0}}
    assert choose(Table(WRONG | doubtful), LURED) == ("b2b3",)


def test_all_that_promise_much_are_handed_on() -> None:
    much = {after("b2b3", "h7h5"): {0: 1500}, after("g1h3", "h7h5"): {0: 1400}}
    assert choose(Table(much), LURED) == ("b2b3", "g1h3"), "bait_verified is one"


def test_moves_that_set_different_tricks_come_first() -> None:
    """1.b3 and 1.Nh3 lure with h5, 1.a3 with a5: it is handed on before the second of the others, though worth less;
    not where it promises too little."""
    lured = Likely({**LURED.named, after("a2a3"): {"a7a5": 0.5}})
    table = Table(WRONG | {after("a2a3", "a7a5"): {0: 250}})
    settings = msgspec.structs.replace(SETTINGS, bait_verified=2)
    prospector = Prospector(table, lured, settings, expected)
    chosen = prospector.choose(POSITION, BEST, (), 0.5)
    assert [prospect.move for prospect in chosen] == ["b2b3", "a2a3"]
    weak = Likely({**LURED.named, after("a2a3"): {"a7a5": 0.11}})
    prospector = Prospector(table, weak, settings, expected)
    assert [prospect.move for prospect in prospector.choose(POSITION, BEST, (), 0.5)] == ["b2b3", "g1h3"]


def test_the_move_to_beat_is_valued_by_as_few_replies() -> None:
    """Of an examination only the three likeliest replies count, those of 5 % and more."""
    board = chess.Board(after("b2b3") + " 0 1")
    chances = {"h7h5": 0.3, "g7g5": 0.2, "a7a6": 0.2, "a7a5": 0.1, "f7f6": 0.04}
    examined = Examined(
        epd=board.epd(),
        best=Line(Score(chess.BLACK, cp=0), ("e7e5",)),
        slips=(Slip("h7h5", Score(chess.BLACK, cp=-400), ("e2e4",), (), 2000, 6000),),
        others=tuple((move, Score(chess.BLACK, cp=-100), 2000) for move in chances if move != "h7h5"),
        chances={move: (p, p) for move, p in chances.items()},
        candidates=5,
        searches=0,
        nodes=0,
    )
    prospector = Prospector(Table({}), LURED, SETTINGS, expected)

    def gains(cp: int) -> float:
        return expected(Score(chess.WHITE, cp=cp), 1200) - 0.5

    assert prospector.first_value(examined) == pytest.approx(0.5 + 0.3 * gains(400) + 0.4 * gains(100))


@pytest.mark.parametrize("screened", [1, 5])
def test_how_many_are_screened(screened: int) -> None:
    settings = Settings(**{**{f: getattr(SETTINGS, f) for f in SETTINGS.__struct_fields__}, "bait_screened": screened})
    table = Table({})
    prospector = Prospector(table, LURED, settings, expected)
    prospector.choose(POSITION, BEST, (), 0.5)
    replies = [query for query in table.asked if chess.Board(query.epd + " 0 1").turn and query.budget == SCREEN]
    assert 0 < len(replies) <= 3 * screened, "replies are searched with White to move after them"
