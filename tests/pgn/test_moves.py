"""The quick reading and making of plain moves against python-chess, on random positions."""

from __future__ import annotations

import random

import chess
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.repertoire.pgn_cases import STARTS
from trapscan.pgn.moves import plain_move, play
from trapscan.pgn.words import MOVE, NOTHING, NULL, WRONG, line_of_moves, parse_move, read_word

PINS = (
    "4k3/8/8/8/7b/8/3N1N2/2R1K3 w - - 0 1",  # one of two knights is pinned: Ne4 is no ambiguity
    "4r1k1/8/8/8/4N3/8/8/N3K3 w - - 0 1",
    "8/8/8/2k5/3Pp3/8/8/4K2B b - d3 0 1",
    "7k/P7/8/8/8/8/p7/K7 w - - 0 1",
    "r3k2r/8/8/8/8/8/8/R3K2R w KQkq - 0 1",
    "k7/8/8/8/8/8/8/1QQQ3K w - - 0 1",
)


def by_python_chess(board: chess.Board, text: str) -> chess.Move | None:
    try:
        return board.parse_san(text) or None
    except ValueError:
        return None


def check_position(board: chess.Board, rng: random.Random) -> None:
    """Every legal move as SAN, in long form and with letters changed, read; and made."""
    for move in list(board.legal_moves):
        san = board.san(move)
        long = board.lan(move)
        words = {san, long, san.replace("x", "")}
        at = rng.randrange(len(san))
        words.add(san[:at] + rng.choice("abh158NBRQK=x+") + san[at + 1 :])
        for word in words:
            expected, found = by_python_chess(board, word), plain_move(board, word)
            assert found is None or found == expected, (board.fen(), word)
        one, other = board.copy(), board.copy()
        one.push(move)
        play(other, move)
        one.clear_stack()
        assert one == other and one.fen() == other.fen() and not other.move_stack, (board.fen(), san)
        assert one.promoted == other.promoted and one.occupied == other.occupied


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 2**32), start=st.sampled_from([*STARTS, *PINS]))
@example(seed=1, start=None)
def test_quick_moves_are_those_of_python_chess(seed: int, start: str | None) -> None:
    rng, board = random.Random(seed), chess.Board(start or chess.STARTING_FEN)
    for _ in range(25):
        check_position(board, rng)
        moves = list(board.legal_moves)
        if not moves or board.is_insufficient_material():
            break
        board.push(rng.choice(moves))
        board.clear_stack()


def test_most_moves_of_a_game_are_read_quickly() -> None:
    board = chess.Board()
    moves = ["e4", "e5", "Nf3", "Nc6", "Bb5", "a6", "Ba4", "Nf6", "d3", "b5", "Bb3", "Bc5", "Nbd2", "d6"]
    for san in moves:
        move = plain_move(board, san)
        board.push_san(san)
        assert move == board.peek()


@pytest.mark.parametrize(
    ("word", "kind", "text", "nag"),
    [
        (b"12.", NOTHING, "", 0),
        (b"12...", NOTHING, "", 0),
        (b"7", NOTHING, "", 0),
        (b"1.e4!?", MOVE, "e4", 5),
        (b"...Nf6??", MOVE, "Nf6", 4),
        (b"!", NOTHING, "", 1),
        (b"+-", NOTHING, "", 0),
        (b"e.p.", NOTHING, "", 0),
        (b"0-0-0+", MOVE, "O-O-O+", 0),
        ("♘f3".encode(), MOVE, "Nf3", 0),
        (b"--", NULL, "", 0),
        (b"Z0", NULL, "", 0),
        (b"x" * 25, WRONG, "", 0),
        (b"foo.", MOVE, "foo.", 0),
    ],
)
def test_words(word: bytes, kind: int, text: str, nag: int) -> None:
    assert read_word(word) == (kind, text, nag)


def test_a_null_move_is_never_read() -> None:
    for text in ("--", "Z0", "0000", "@@@@"):
        with pytest.raises(ValueError, match="null"):
            parse_move(chess.Board(), text)


def test_a_line_of_moves() -> None:
    board = line_of_moves("1. e4 e5 2.Nf3! Nc6 3. e1e2?")
    assert [move.uci() for move in board.move_stack] == ["e2e4", "e7e5", "g1f3", "b8c6", "e1e2"]
    assert not line_of_moves("* 1. e4").move_stack
    for text, word in (
        ("e4 e5 --", "null move"),
        ("1. e4 e4", "'e4' is illegal after 1.e4"),
        ("1. e4 hello", "'hello'"),
    ):
        with pytest.raises(ValueError, match=word):
            line_of_moves(text)
