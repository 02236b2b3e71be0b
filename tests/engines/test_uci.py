"""The protocol as text: option declarations, castling notations, mates, budgets as limits."""

from __future__ import annotations

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trapscan.engines.average import mean_of_last
from trapscan.engines.engine import read_board
from trapscan.engines.limits import DepthLimit, NodeLimit, TimeLimit
from trapscan.engines.uci import Option, parse_info, parse_option, read_answer
from trapscan.errors import EngineAnswerError
from trapscan.score import Score

CASTLING = chess.Board("r3k2r/pppq1ppp/2np1n2/2b1p3/2B1P3/2NP1N2/PPPQ1PPP/R3K2R w KQkq - 0 1")


@pytest.mark.parametrize(
    ("line", "option"),
    [
        ("option name Hash type spin default 16 min 1 max 33554432", Option("Hash", "spin", "16", 1, 33554432)),
        ("option name Clear Hash type button", Option("Clear Hash", "button")),
        ("Option Name Use NNUE Type Check Default true", Option("Use NNUE", "check", "true")),
        (
            "option name Style type combo default Very Calm var Very Calm var Wild",
            Option("Style", "combo", "Very Calm", choices=("Very Calm", "Wild")),
        ),
        ("option name Path type string default C:/my files/net", Option("Path", "string", "C:/my files/net")),
        ("option name Path type string default", Option("Path", "string")),
        ("option name type", None),
        ("id name Hash type spin", None),
        ("option name Odd type spin default x min y max", Option("Odd", "spin", "x")),
    ],
)
def test_option_declarations(line: str, option: Option | None) -> None:
    assert parse_option(line) == option


@pytest.mark.parametrize("written", ["e1g1", "e1h1"])
def test_castling_becomes_the_kings_move(written: str) -> None:
    answer = read_answer([f"info depth 5 score cp 10 pv {written} e8a8".encode()], written, CASTLING, 1)
    assert answer.best.pv == ("e1g1", "e8c8")


def test_in_chess960_the_king_takes_its_rook() -> None:
    board = read_board("bqnbrknr/pppppppp/8/8/8/8/PPPPPPPP/BQNBRK1R w HEhe -")
    assert board.chess960
    answer = read_answer([b"info depth 5 score cp 10 pv f1h1"], "f1h1", board, 1)
    assert answer.best.pv == ("f1h1",)


def test_standard_castling_rights_are_not_taken_for_chess960() -> None:
    assert not read_board(CASTLING.epd()).chess960


@pytest.mark.parametrize(
    ("fen", "cp", "pv", "score"),
    [
        # 1.Ra8# on a bare back rank; 15999 is how Sjaak II writes it
        ("6k1/5ppp/8/8/8/8/8/R5K1 w - - 0 1", 15999, "a1a8", Score(True, mate=1)),
        ("6k1/5ppp/8/8/8/8/R7/6K1 w - - 0 1", 15990, "a2a7", Score(True, mate=1)),  # the line does not reach the mate
        ("k7/8/1K6/8/8/8/8/1R6 b - - 0 1", -15996, "a8b8 b1c1 b8a8 c1c8", Score(False, mate=-2)),
        ("6k1/5ppp/8/8/8/8/8/R5K1 w - - 0 1", 900, "a1a8", Score(True, cp=900)),
    ],
)
def test_mates_written_as_centipawns(fen: str, cp: int, pv: str, score: Score) -> None:
    line = f"info depth 9 score cp {cp} pv {pv}".encode()
    assert read_answer([line], pv.split()[0], chess.Board(fen), 1, mate_floor=14_000).best.score == score


@given(st.binary(max_size=200))
def test_no_bytes_break_the_reading(data: bytes) -> None:
    lines = [b"info " + data.replace(b"\n", b" "), b"info depth 1 score cp 5 pv e2e4"]
    for line in lines:
        parse_info(line)
    try:
        answer = read_answer(lines[:1], "e2e4", chess.Board(), 1)
    except EngineAnswerError:
        return
    assert answer.best.pv[0] in {move.uci() for move in chess.Board().legal_moves}


@given(st.integers(100, 10**10), st.integers(100, 10**10))
def test_more_budget_never_means_less_search(one: int, other: int) -> None:
    low, high = sorted((one, other))
    slow, fast = NodeLimit(pace=32_768), NodeLimit()
    deep, timed = DepthLimit(table=(20, 90, 400, 1500, 5000)), TimeLimit(pace=2**20)
    assert slow.nodes(low) <= slow.nodes(high) <= high
    assert timed.seconds(low, 1) <= timed.seconds(high, 1)
    assert deep.depth(low) <= deep.depth(high)
    assert fast.nodes(low) == low


def test_the_mean_of_the_last_depths() -> None:
    """Of each depth the last exact score counts; the mean is one of expected scores."""
    board = chess.Board()
    lines = [
        f"info depth {depth} score {score} nodes 100 pv e2e4".encode()
        for depth, score in [(1, "cp 900"), (2, "cp 0"), (3, "cp 77"), (3, "cp 400"), (4, "cp 55 lowerbound")]
    ]
    # expected scores 1/2 and 10/11 (odds of ten to one at 400 centipawns): 0.7045, which is 151
    assert mean_of_last(2, lines, board, 0) == Score(chess.WHITE, cp=151)
    assert mean_of_last(1, lines, board, 0) == Score(chess.WHITE, cp=400)
    assert mean_of_last(2, [*lines, b"info depth 5 score mate 3 pv e2e4"], board, 0) is None
    assert mean_of_last(2, [], board, 0) is None
