"""Chances joined with an engine's losses, from the library and from `trapscan chance --engine`."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import chess
import pytest

from tests.job.small_scans import BUDGETS
from trapscan import settings
from trapscan.chance import load_model
from trapscan.cli import main
from trapscan.engines import Engine, EngineSpec, Probe
from trapscan.job import joined_chances, scan

Stockfish = tuple[EngineSpec, Probe]

FAKE = Path(__file__).parent.parent / "engines" / "fake_uci.py"
SMALL = {
    **BUDGETS,
    "max_candidates": 5,
    "levels": (1200, 1800),
}


def board_after(line: str) -> chess.Board:
    board = chess.Board()
    for san in line.split():
        board.push_san(san)
    return board


def test_the_same_numbers_as_in_a_scan(stockfish: Stockfish, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the repertoire holds no move: those that it holds are searched longer in a scan."""
    file, store, engine = tmp_path / "line.txt", tmp_path / "store.db", stockfish[0].command[0]
    file.write_text("1. e4 e5 2. Bc4 Nc6 3. Qh5\n")
    report = scan([file], side="white", engine=engine, jobs=1, store=store, beyond=0, settings=SMALL).scan
    boards = [board_after("e4 e5 Bc4 Nc6 Qh5"), board_after("f3 e5 g4 Qh4")]

    def refuse(*_: object) -> None:
        raise AssertionError("all is in the store")

    monkeypatch.setattr(Engine, "evaluate", refuse)
    assert boards[1].is_checkmate()
    scholar, mate = joined_chances(boards, settings.build(dict(SMALL)), engine=engine, store=store)
    checked = 0
    for finding in report.slips:
        if finding.fen == boards[0].fen():
            assert finding.chance == pytest.approx(scholar[finding.slip.uci], abs=5e-5)
            checked += 1
    assert checked
    assert mate == {}
    alone = load_model().predict(boards[:1], (1200, 1800))[0]
    assert set(scholar) == set(alone) and scholar != alone
    assert [sum(column) for column in zip(*scholar.values(), strict=True)] == pytest.approx([1, 1], abs=1e-5)


def test_json_lines_in_the_order_of_the_file(
    stockfish: Stockfish, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """3...Nf6 allows mate in one; an engine makes it less likely."""
    file = tmp_path / "lines.txt"
    file.write_text("1. e4 e5 2. Bc4 Nc6 3. Qh5\n\n# two more\n8/8/8/8/8/k7/8/K7 w - -\n1. e4 e5 2. Bc4 Nc6 3. Qh5\n")
    words = ["chance", str(file), "--level", "1800", "--level", "1200", "--json"]
    assert main(words) == 0
    alone = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert main([*words, "--engine", stockfish[0].command[0], "--store", str(tmp_path / "store.db")]) == 0
    joined = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    for rows in (alone, joined):
        assert [row["fen"].split()[0] for row in rows] == [
            board_after("e4 e5 Bc4 Nc6 Qh5").fen().split()[0],
            "8/8/8/8/8/k7/8/K7",
            board_after("e4 e5 Bc4 Nc6 Qh5").fen().split()[0],
        ]
        for row in rows:
            assert list(row) == ["fen", "levels", "time_control", "moves"] and row["levels"] == [1200, 1800]
            board = chess.Board(row["fen"])
            assert set(row["moves"]) == {move.uci() for move in board.legal_moves}
            for column in zip(*row["moves"].values(), strict=True):
                assert sum(column) == pytest.approx(1, abs=1e-5)
        assert rows[0] == rows[2]
    assert all(j < a for j, a in zip(joined[0]["moves"]["g8f6"], alone[0]["moves"]["g8f6"], strict=True))


@pytest.mark.parametrize("engine", ["./no-such-engine", f"{sys.executable} -I -S {FAKE} exits-at-once"])
def test_no_usable_engine(engine: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["chance", "e4 e5", "--engine", engine, "--store", str(tmp_path / "store.db")]) == 3
    out, err = capsys.readouterr()
    assert out == "" and len(err.splitlines()) == 1 and "Traceback" not in err
