"""Names of openings. The codes and names checked are trade knowledge (the Encyclopaedia's codes, from memory)."""

from __future__ import annotations

import csv
from pathlib import Path

import chess
import pytest

from trapscan import openings

DATA = Path(__file__).resolve().parents[3] / "shared" / "data" / "openings"


def after(moves: str) -> str:
    board = chess.Board()
    for san in moves.split():
        board.push_san(san)
    return board.epd()


@pytest.mark.parametrize(
    ("moves", "eco", "words"),
    [
        ("e4 c6", "B10", "Caro-Kann"),
        ("e4 e5 Nf3 Nf6", "C42", "Petrov"),
        ("e4 e5 Nf3 Nc6 Bc4 Nf6", "C55", "Two Knights"),
        ("e4 e5 Nf3 Nc6 Bb5", "C60", "Ruy Lopez"),
        ("e4 e5 Nc3", "C25", "Vienna"),
        ("d4 d5 c4 e6", "D30", "Queen's Gambit"),
        ("c4 e6 d4 d5", "D30", "Queen's Gambit"),  # by transposition
        ("d4 Nf6 c4 g6 Nc3 d5", "D80", "Grünfeld"),
    ],
)
def test_well_known_openings(moves: str, eco: str, words: str) -> None:
    found = openings.name_of(after(moves))
    assert found is not None
    assert found[0] == eco and words in found[1]


def test_positions_without_a_name() -> None:
    assert openings.name_of(chess.Board().epd()) is None
    assert openings.name_of("not a position") is None


@pytest.mark.skipif(not DATA.is_dir(), reason="needs ../shared/data/openings")
def test_most_named_lines_of_another_table_are_known() -> None:
    known = same = rows = 0
    for path in sorted(DATA.glob("*.tsv")):
        with path.open(encoding="utf-8") as file:
            for row in csv.DictReader(file, delimiter="\t"):
                found = openings.name_of(after(" ".join(w for w in row["pgn"].split() if not w.endswith("."))))
                rows += 1
                known += found is not None
                same += found == (row["eco"], row["name"])
    assert known / rows > 0.9 and same / known > 0.95
