"""EPD and FEN lists, lists of SAN lines, and how a file's format is told."""

from __future__ import annotations

import random
from pathlib import Path

import chess
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trapscan import repertoire
from trapscan.errors import RepertoireError
from trapscan.movetree import Repertoire


def read(folder: Path, content: str, name: str) -> Repertoire:
    (folder / name).write_text(content, encoding="utf-8")
    return repertoire.read_files([folder / name])


def paths(result: Repertoire) -> list[str]:
    """The longest path of each game."""
    found = []
    for game in result.games:
        end = max(game.nodes(), key=lambda node: result.forest.plies[node])
        found.append(" ".join(move.uci() for move in result.forest.path(end)))
    return found


def random_board(seed: int) -> chess.Board:
    rng, board = random.Random(seed), chess.Board()
    for _ in range(seed % 50):
        moves = list(board.legal_moves)
        if not moves:
            break
        board.push(rng.choice(moves))
    if not any(board.legal_moves):
        board.pop()
    return board


@settings(max_examples=50, deadline=None)
@given(seeds=st.lists(st.integers(0, 2**32), min_size=1, max_size=8), as_epd=st.booleans())
def test_positions_come_back(tmp_path_factory: pytest.TempPathFactory, seeds: list[int], as_epd: bool) -> None:
    boards = [random_board(seed) for seed in seeds]
    if as_epd:
        text = "\n".join(b.epd(hmvc=b.halfmove_clock, fmvn=b.fullmove_number, id=f"n{i}") for i, b in enumerate(boards))
    else:
        text = "\n".join(b.fen() for b in boards)
    result = read(tmp_path_factory.mktemp("epd"), text, "list.epd" if as_epd else "list.txt")
    assert [game.start_fen for game in result.games] == [board.fen() for board in boards]
    assert result.problems == ()
    if as_epd:
        assert [game.name for game in result.games] == [f"n{i}" for i in range(len(boards))]


@settings(max_examples=50, deadline=None)
@given(seeds=st.lists(st.integers(0, 2**32), min_size=1, max_size=6), style=st.sampled_from(["san", "numbered", "uci"]))
def test_lines_of_moves_come_back(tmp_path_factory: pytest.TempPathFactory, seeds: list[int], style: str) -> None:
    boards = [board for board in map(random_board, seeds) if board.move_stack] or [random_board(1)]
    rows = []
    for board in boards:
        if style == "numbered":
            rows.append(chess.Board().variation_san(board.move_stack))
        elif style == "uci":
            rows.append(" ".join(move.uci() for move in board.move_stack))
        else:
            walk = chess.Board()
            rows.append(" ".join(walk.san_and_push(move) for move in board.move_stack))
    result = read(tmp_path_factory.mktemp("san"), "\n".join(rows) + "\n", "lines.txt")
    assert paths(result) == [" ".join(move.uci() for move in board.move_stack) for board in boards]
    assert result.problems == ()


def test_epd_operations_are_kept_as_written(tmp_path: Path) -> None:
    line = '4k3/8/8/8/8/8/8/R3K3 w Q - bm Ra8+; id "Rook; and king"; c0 "x"; hmvc 7; fmvn 30;'
    game = read(tmp_path, line, "a.epd").games[0]
    assert game.operations == (
        ("bm", "Ra8+"),
        ("id", '"Rook; and king"'),
        ("c0", '"x"'),
        ("hmvc", "7"),
        ("fmvn", "30"),
    )
    assert game.name == "Rook; and king"
    assert game.start_fen == "4k3/8/8/8/8/8/8/R3K3 w Q - 7 30"


def test_bad_lines_of_a_list_are_reported_by_their_number(tmp_path: Path) -> None:
    text = (
        "# two positions\n4k3/8/8/8/8/8/8/R3K3 w - -\n\nnonsense\n4k3/8/8/8/8/8/8/8 w - -\n4k3/8/8/8/8/8/8/4K2R w - -\n"
    )
    result = read(tmp_path, text, "a.epd")
    assert len(result.games) == 2
    assert [(p.game, p.text) for p in result.problems] == [
        (2, "not a position: 'nonsense'"),
        (3, "illegal position: White has no king"),
    ]


def test_san_lists_with_remarks_continuations_and_errors(tmp_path: Path) -> None:
    text = "# my lines\n1. e4 e5\n2. Nf3 Nc6\n\n1.d4 d5 2.c4 {gambit} (2. Nf3) e6\ne4 c5 Ke4 d6\n"
    result = read(tmp_path, text, "a.txt")
    assert paths(result) == ["e2e4 e7e5 g1f3 b8c6", "d2d4 d7d5 c2c4 e7e6", "e2e4 c7c5"]
    assert [(p.game, p.ply, p.text) for p in result.problems] == [(3, 3, "'Ke4' is illegal after 1...c5")]


def test_labels_of_san_lines_are_titles(tmp_path: Path) -> None:
    """Lists of named openings put a code and a name before the moves; long ones go over several lines."""
    text = (
        'A00b "Barnes Opening" 1.f3 *\n'
        'A00c "Hammer (Fried; fox [a])"  1.f3 e5 2.Kf2 *\n'
        'C20 1.e4 e5 *\n"Only a name" e4 c5\n'
        'C44 "Long way"\n   1.e4 e5 2.Nf3\n   Nc6 3.d4 *\n'
        'A01 "Nothing"\nB00 "Wrong" 1.e4 Ke5 *\n1. d4 d5\n2. c4 e6\n'
    )
    result = read(tmp_path, text, "book.txt")
    assert [(game.name, path) for game, path in zip(result.games, paths(result), strict=True)] == [
        ("A00b Barnes Opening", "f2f3"),
        ("A00c Hammer (Fried; fox [a])", "f2f3 e7e5 e1f2"),
        ("C20", "e2e4 e7e5"),
        ("Only a name", "e2e4 c7c5"),
        ("C44 Long way", "e2e4 e7e5 g1f3 b8c6 d2d4"),
        ("A01 Nothing", ""),
        ("B00 Wrong", "e2e4"),
        ("", "d2d4 d7d5 c2c4 e7e6"),
    ]
    assert [(problem.game, problem.ply) for problem in result.problems] == [(7, 2)]


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("a.txt", '[Event "x"]\n\n1. e4 e5 *', ["e2e4 e7e5"]),
        ("a", '\n\n[Event "x"]\n[Site "y"]\n1. e4\ne5 *', ["e2e4 e7e5"]),
        ("a.epd", '[Event "x"]\n\n1. e4 e5 *', ["e2e4 e7e5"]),
        ("a.pgn", "4k3/8/8/8/8/8/8/R3K3 w - - 0 1\n4k3/8/8/8/8/8/8/4K2R w - - 0 1", ["", ""]),
        ("a.TXT", "e4 e5\nd4 d5", ["e2e4 e7e5", "d2d4 d7d5"]),
        ("a.PGN", "1. e4\ne5\n", ["e2e4 e7e5"]),
        ("a.fen", f"{chess.STARTING_FEN}\n", [""]),
    ],
)
def test_the_content_tells_the_format(tmp_path: Path, name: str, content: str, expected: list[str]) -> None:
    result = read(tmp_path, content, name)
    assert paths(result) == expected and result.problems == ()


def test_a_list_without_any_position(tmp_path: Path) -> None:
    with pytest.raises(RepertoireError, match=r"no moves or positions found in 'a.epd'; first problem: not a position"):
        read(tmp_path, "hello world\n", "a.epd")
