"""Illegal and strange positions at the root, through the whole `trapscan scan` with a scripted engine: each is passed
over with a reason or scanned; none ends the scan, none reaches the engine in a form that crashes engines."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import chess
import pytest

from trapscan.cli import main
from trapscan.engines import Probe
from trapscan.errors import EXIT_DONE, EXIT_PROBLEMS, EXIT_USAGE

ENGINE = Path(__file__).parent.parent / "engines" / "material_uci.py"
FACTS = Probe(name="Material 1.0", nps=1_000_000, multipv=True, searchmoves=True)
GOOD = "r1bqkbnr/pppp1ppp/2n5/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR b KQkq - 3 3"

PASSED_OVER = {
    "no king": "8/8/8/8/8/8/8/K7 w - - 0 1",
    "no kings at all": "8/8/8/3q4/8/8/8/8 w - - 0 1",
    "two white kings": "4k3/8/8/8/8/8/8/K3K3 w - - 0 1",
    "side to move gives check": "4k3/4Q3/8/8/8/8/8/4K3 w - - 0 1",
    "nine pawns": "4k3/8/8/8/P7/8/PPPPPPPP/4K3 w - - 0 1",
    "pawn on the last rank": "P3k3/8/8/8/8/8/8/4K3 w - - 0 1",
    "seventeen men": "4k3/8/8/8/QQ6/QQQQQQQQ/PPPPPP2/4K3 w - - 0 1",
    "checkmate": "r1bqkb1r/pppp1Qpp/2n2n2/4p3/2B1P3/8/PPPP1PPP/RNB1K1NR b KQkq - 0 4",
    "stalemate": "7k/5Q2/6K1/8/8/8/8/8 b - - 0 1",
    "empty board": "8/8/8/8/8/8/8/8 w - - 0 1",
    "no such square": "9/8/8/8/8/8/8/8 w - - 0 1",
}
MENDED = {
    "castling rights without rooks": "4k3/8/8/8/8/8/8/4K3 w KQkq - 0 1",
    "en passant behind no pawn": "4k3/8/8/8/8/8/8/4K3 w - e6 0 1",
}
FINE = {
    "nine queens": "QQQ5/QQQ5/QQQ5/5ppp/5ppk/5ppp/8/4K3 w - - 0 1",
    "in check": "4k3/8/8/8/8/8/4q3/4K3 w - - 0 1",
    "bare kings": "4k3/8/8/8/8/8/8/4K3 w - - 0 1",
}
TINY = ["--set=best_nodes=300", "--set=confirm_nodes=200", "--set=refutation_nodes=200", "--set=max_candidates=2"]
BUDGETS = "--set=budgets=[{chance=0.0, least=200, most=200}]"


def scan(folder: Path, name: str, text: str, monkeypatch: pytest.MonkeyPatch) -> tuple[int, dict[str, Any]]:
    """Exit code and scan.json (empty when there is none) of a scan of one file."""
    monkeypatch.setattr("trapscan.engines.probe", lambda spec, **_: FACTS)
    file, out = folder / name, folder / "out"
    file.write_text(text)
    engine = f"{sys.executable} {ENGINE}"
    arguments = ["scan", str(file), "--side", "both", "--engine", engine, "--jobs", "1", "--beyond", "0", "--quiet"]
    code = main([*arguments, "--store", str(folder / "store.db"), "--out", str(out), *TINY, BUDGETS])
    written = out / "scan.json"
    return code, json.loads(written.read_text()) if written.exists() else {}


@pytest.mark.parametrize("name", [*PASSED_OVER])
def test_what_cannot_be_played_is_passed_over(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code, report = scan(tmp_path, "list.epd", f"{PASSED_OVER[name]}\n{GOOD}\n", monkeypatch)
    assert code == EXIT_PROBLEMS
    assert [problem["game"] for problem in report["problems"]] == [1], report["problems"]
    assert report["input"]["positions"] == 1


@pytest.mark.parametrize("name", [*MENDED, *FINE])
def test_what_can_be_played_is_scanned(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fen = (MENDED | FINE)[name]
    code, report = scan(tmp_path, "list.epd", f"{fen}\n{GOOD}\n", monkeypatch)
    assert code == (EXIT_PROBLEMS if name in MENDED else EXIT_DONE), report.get("problems")
    assert report["input"]["positions"] == 2 == report["counters"]["positions"]
    for finding in report["findings"]:
        assert chess.Board(finding["fen"]).is_valid()


def test_a_file_of_nothing_but_bad_positions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    code, report = scan(tmp_path, "list.epd", "\n".join(PASSED_OVER.values()) + "\n", monkeypatch)
    assert code == EXIT_USAGE and report == {}


def test_chess960_castling_at_the_root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A game from another array of the back rank is passed over with a problem; the next one is scanned."""
    fen = "bqnb1rkr/pppppppp/8/8/8/8/PPPPPPPP/BQNB1RKR w KQkq - 0 1"
    odd = f'[Variant "Chess960"]\n[SetUp "1"]\n[FEN "{fen}"]\n\n1. e4 *\n'
    code, report = scan(tmp_path, "odd.pgn", f"{odd}\n1. e4 e5 *\n", monkeypatch)
    assert code == EXIT_PROBLEMS and report["input"]["positions"] == 3
