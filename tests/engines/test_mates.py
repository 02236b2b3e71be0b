"""Mates in two by checks: those of the literature, and Stockfish as the judge of every claim."""

from __future__ import annotations

import chess
import msgspec
import pytest

from trapscan.engines import Engine, EngineSpec, Probe
from trapscan.engines.mates import mate_by_checks
from trapscan.model import Query
from trapscan.score import Score

TEED_DELMAR = "d4 f5 Bg5 h6 Bf4 g5 Bg3 f4 e3 h5 Bd3 Rh6"  # New York 1896
GRECO = "e4 b6 d4 Bb7 Bd3 f5 exf5 Bxg2 Qh5+ g6 fxg6 Nf6"  # Greco's manuscripts, about 1620
LEGAL = "e4 e5 Nf3 d6 Bc4 Bg4 Nc3 g6 Nxe5 Bxd1"  # de Legal against Saint Brie, Paris, about 1750


def after(line: str) -> chess.Board:
    board = chess.Board()
    for san in line.split():
        board.push_san(san)
    return board


@pytest.mark.parametrize(
    ("line", "mate"),
    [
        (TEED_DELMAR, "d1h5 h6h5 d3g6"),
        (GRECO, "g6h7 f6h5 d3g6"),
        (LEGAL, "c4f7 e8e7 c3d5"),
        ("f3 e5 g4", "d8h4"),
    ],
)
def test_mates_of_the_literature(line: str, mate: str) -> None:
    board = after(line)
    before = board.fen()
    assert mate_by_checks(board) == tuple(mate.split()) and board.fen() == before


@pytest.mark.parametrize(
    "fen",
    [
        chess.STARTING_FEN,
        "8/8/8/8/8/2K5/7R/k7 w - - 0 1",  # 1.Kb3 Kb1 2.Rh1#: the first move is no check
        "k7/8/1K6/8/8/8/8/1R6 b - - 0 1",
        "7k/5KQ1/8/8/8/8/8/8 b - - 0 1",  # over
    ],
)
def test_nothing_else_is_claimed(fen: str) -> None:
    assert mate_by_checks(chess.Board(fen)) == ()


def test_an_engine_need_not_see_it(embedded: tuple[EngineSpec, Probe]) -> None:
    """Where it cannot be watched it is not even asked."""
    spec, facts = embedded
    with Engine(spec, msgspec.structs.replace(facts, stops=False)) as engine:
        answer = engine.evaluate(Query(after(TEED_DELMAR).epd(), 4_000))
        assert answer.best.score == Score(chess.WHITE, mate=2) and answer.best.pv == ("d1h5", "h6h5", "d3g6")
        assert (engine.searches, engine.pid) == (0, None)


@pytest.mark.engine
def test_every_claim_is_true(stockfish: tuple[EngineSpec, Probe]) -> None:
    """After each legal move of positions rich in checks: what is claimed, Stockfish confirms; and a mate in one or two
    that Stockfish plays by checks is claimed. The board rules are python-chess's, the judge is Stockfish."""
    claimed = 0
    with Engine(*stockfish) as engine:
        for line in (TEED_DELMAR, GRECO, LEGAL):
            root = after(line)
            root.pop()
            for move in root.legal_moves:
                root.push(move)
                mate = mate_by_checks(root)
                judged = engine.evaluate(Query(root.epd(), 5_000)).best.score if any(root.legal_moves) else None
                if mate:
                    claimed += 1
                    assert judged == Score(root.turn, mate=(len(mate) + 1) // 2), (root.fen(), mate)
                else:
                    assert judged is None or judged.mate != 1, root.fen()
                root.pop()
    assert claimed > 5
