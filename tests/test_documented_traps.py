"""Traps that the literature knows, put to the whole job with Stockfish at the standard preset."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import pytest

from trapscan.contract import Scan, SlipFinding
from trapscan.engines import EngineSpec, Probe
from trapscan.job import scan

Stockfish = tuple[EngineSpec, Probe]

OPEN_SET = Path(__file__).parent / "data" / "open_set.jsonl"
LAST_PLIES = 1
"""Of each line only so much is scanned, from a start position set up in the PGN: the way there has no part in it."""


def game_before(line: Sequence[str], plies: int = LAST_PLIES) -> str:
    """A PGN game of the last `plies` moves of `line` (SAN)."""
    board = chess.Board()
    for san in line[: len(line) - plies]:
        board.push_san(san)
    game = chess.pgn.Game()
    game.setup(board.copy(stack=False))
    node: chess.pgn.GameNode = game
    for san in line[len(line) - plies :]:
        node = node.add_variation(node.board().parse_san(san))
    return str(game)


def scanned(file: Path, stockfish: Stockfish, **options: Any) -> Scan:
    spec = stockfish[0]
    return scan([file], engine=spec.command[0], jobs=2, store=file.with_suffix(".db"), beyond=0, **options).scan


def at(report: Scan, board: chess.Board, slip: str) -> SlipFinding | None:
    """The finding for the slip (SAN) at that position, if there is one."""
    found = [f for f in report.slips if chess.Board(f.fen).epd() == board.epd() and f.slip.san == slip]
    assert len(found) <= 1
    return found[0] if found else None


def after(moves: str) -> chess.Board:
    board = chess.Board()
    for san in moves.split():
        board.push_san(san)
    return board


# --- the open Sicilian: common practice, no source -------------------------------------------------------------------

SICILIAN = "e4 c5 Nf3 e6 d4 cxd4 Nxd4 Nf6"


@pytest.fixture(scope="module")
def sicilian(stockfish: Stockfish, tmp_path_factory: pytest.TempPathFactory) -> Scan:
    """Black's lines with and without the knight on c3."""
    file = tmp_path_factory.mktemp("sicilian") / "sicilian.pgn"
    games = [game_before(SICILIAN.split()), game_before(f"{SICILIAN} Nc3 d6".split(), 2)]
    file.write_text("\n\n".join(games) + "\n")
    return scanned(file, stockfish, side="black")


def test_e5_drops_a_pawn_while_the_knight_is_not_on_c3(sicilian: Scan) -> None:
    """5.e5? Qa5+ wins the pawn: a check and an attack on e5 at once."""
    trick = at(sicilian, after(SICILIAN), "e5")
    assert trick is not None, [f.slip for f in sicilian.slips]
    assert (trick.kind, trick.victim) == ("trick", "white")
    assert trick.refutation and trick.refutation.san == "Qa5+"
    assert trick.gain == "pawn", trick
    assert "double attack" in trick.motifs or "fork" in trick.motifs, trick.motifs
    assert "Nc3" in {move.san for move in trick.instead}


def test_with_the_knight_on_c3_the_same_check_is_none(sicilian: Scan) -> None:
    """After 5.Nc3 d6 the advance 6.e5 may be good or bad, but not for the queen's check: there is none on a5."""
    board = after(f"{SICILIAN} Nc3 d6")
    finding = at(sicilian, board, "e5")
    board.push_san("e5")
    assert not board.gives_check(board.parse_san("Qa5"))
    if finding is not None and finding.refutation is not None:
        assert finding.refutation.uci != "d8a5", "on c3 the knight stands between queen and king"


# --- a late trick: common practice (Légal's mate), no source --------------------------------------------------------


def test_the_knight_that_takes_behind_the_pin_is_seen(stockfish: Stockfish, tmp_path: Path) -> None:
    """4...Bg4? 5.Nxe5 Bxd1 6.Bxf7+ mates, and 5...dxe5 6.Qxg4 has won a pawn. Stockfish wants 5.h3 up to 120,000
    nodes."""
    line = "e4 e5 Nf3 d6 Bc4 h6 Nc3"
    file = tmp_path / "pin.pgn"
    file.write_text(game_before(line.split()) + "\n")
    trick = at(scanned(file, stockfish, side="white", settings={"verify_nodes": 0}), after(line), "Bg4")
    assert trick is not None and trick.refutation is not None and trick.refutation.san == "Nxe5"


# --- twelve documented traps -----------------------------------------------------------------------------------------

TRAPS = [json.loads(text) for text in OPEN_SET.read_text(encoding="utf-8").splitlines()][::3][:12]
"""Every third of the set; each has its source in the field `source`."""


@pytest.fixture(scope="module")
def missed(stockfish: Stockfish, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The traps that were not found, or not with a right refutation, with what happened instead."""
    file = tmp_path_factory.mktemp("traps") / "traps.pgn"
    file.write_text("\n\n".join(game_before(trap["line"]) for trap in TRAPS) + "\n")
    report = scanned(file, stockfish, side="both")
    assert report.problems == () and report.input.games == len(TRAPS) == 12
    misses = {}
    for trap in TRAPS:
        board = chess.Board(trap["fen_before"])
        assert board.epd() == after(" ".join(trap["line"])).epd()
        finding = at(report, board, trap["slip"])
        if finding is None:
            misses[trap["id"]] = f"{trap['slip']} not found ({trap['source']})"
            continue
        assert finding.victim == trap["victim"] and finding.kind == "trick"
        answers = {finding.refutation.san if finding.refutation else "", *finding.also}
        if not answers & set(trap["punish"]):
            misses[trap["id"]] = f"{trap['slip']} answered by {answers} ({trap['source']})"
    return misses


def test_documented_traps_are_found(missed: dict[str, str]) -> None:
    """All, but at most one."""
    print(missed)
    assert len(missed) <= 1, missed
