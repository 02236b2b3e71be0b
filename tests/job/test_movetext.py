"""The repertoire's tree in scan.json: read by python-chess, it holds every move of the files and no other."""

from __future__ import annotations

import io
import random
from pathlib import Path

import chess
import chess.pgn
import pytest

import trapscan
from trapscan import graph, repertoire
from trapscan.graph import Graph
from trapscan.job.movetext import move_trees

DEMO = Path(trapscan.__file__).parent / "demo"

Moves = set[tuple[str, str]]
"""(EPD before, move)."""


def build(tmp_path: Path, text: str) -> Graph:
    path = tmp_path / "lines.pgn"
    path.write_text(text)
    return graph.build(repertoire.read_files([path]))


def moves_read(start_fen: str, movetext: str) -> tuple[Moves, int]:
    """All moves of a tree by python-chess's own PGN reader, and how many moves it wrote."""
    setup = "" if start_fen == chess.STARTING_FEN else f'[SetUp "1"]\n[FEN "{start_fen}"]\n\n'
    game = chess.pgn.read_game(io.StringIO(f"{setup}{movetext} *"))
    assert game is not None and not game.errors
    found, nodes = [], list(game.variations)
    while nodes:
        node = nodes.pop()
        found.append((node.parent.board().epd(), node.move.uci()))
        nodes += node.variations
    return set(found), len(found)


def check(merged: Graph) -> None:
    found: Moves = set()
    written = 0
    for tree in move_trees(merged):
        moves, count = moves_read(tree.start_fen, tree.moves)
        found |= moves
        written += count
    assert found == {(merged.positions[before].epd, uci) for before, uci, _ in merged.edges}
    assert written == len(merged.edges), "each move stands there once"


@pytest.mark.parametrize("colour", ["white", "black"])
def test_the_demo(colour: str) -> None:
    check(graph.build(repertoire.read_files([DEMO / f"otter_quay_{colour}.pgn"])))


@pytest.mark.parametrize(
    "text",
    [
        "1. e4 *",
        "1. d4 d5 2. Nf3 Nf6 3. c4 *\n\n1. Nf3 d5 2. d4 *\n",
        "1. Nf3 Nf6 2. Ng1 Ng8 3. e4 (3. d4) *",
        '[FEN "4k3/8/8/8/8/8/4P3/4K3 w - - 0 1"]\n[SetUp "1"]\n\n1. e4 Kd7 *\n\n1. e4 e5 *\n',
    ],
    ids=["a move", "a transposition", "a repetition", "two start positions"],
)
def test_small_trees(text: str, tmp_path: Path) -> None:
    check(build(tmp_path, text))


def test_trees_by_lot(tmp_path: Path) -> None:
    """Random lines of few different moves: many of them meet again."""
    rng = random.Random(11)
    games = []
    for _ in range(60):
        board, words = chess.Board(), []
        for _ in range(8):
            moves = [move for move in board.legal_moves if board.piece_type_at(move.from_square) == chess.KNIGHT]
            if moves:
                words.append(board.san_and_push(rng.choice(sorted(moves, key=str))))
        games.append(f'[Event "x"]\n\n{" ".join(words)} *\n')
    merged = build(tmp_path, "\n".join(games))
    assert sum(position.move_orders > 1 for position in merged.positions) > 50
    check(merged)


def test_an_empty_tree(tmp_path: Path) -> None:
    (tmp_path / "one.epd").write_text("4k3/8/8/8/8/8/4P3/4K3 w - -\n")
    (tree,) = move_trees(graph.build(repertoire.read_files([tmp_path / "one.epd"])))
    assert tree.moves == ""
