"""PGN and EPD: read back by python-chess and by pgn-extract, hostile text and all."""

from __future__ import annotations

import io
import os
import re
import shutil
import signal
import subprocess
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import pytest

from tests.report.sample_scans import bulk_scan, hostile_scan, trap_scan
from trapscan.contract import Scan, SlipFinding
from trapscan.report import games
from trapscan.report.entry import Entry
from trapscan.report.present import Presentation
from trapscan.report.text import FAIR_PLAY, ascii_only

SCANS: list[Any] = [trap_scan, hostile_scan, lambda: bulk_scan(60)]


# PGN standard, section 16.2: four fields, then opcodes with operands, each ended by a semicolon
EPD_RECORD = re.compile(
    r"[1-8pnbrqkPNBRQK]+(/[1-8pnbrqkPNBRQK]+){7} [wb] (-|K?Q?k?q?) (-|[a-h][36])"
    r"( [a-z][a-z0-9]*(( [A-Za-z0-9+#=/-]+)+| \"[^\"\\]*\");)*"
)


def read_all(text: str) -> list[chess.pgn.Game]:
    handle, found = io.StringIO(text), []
    while (game := chess.pgn.read_game(handle)) is not None:
        assert not game.errors
        found.append(game)
    return found


def tree(node: chess.pgn.GameNode) -> list[Any]:
    """Moves and signs of a game, nested."""
    return [(child.move.uci(), sorted(child.nags), tree(child)) for child in node.variations]


def words(game: chess.pgn.Game) -> list[str]:
    """All comments, in the order of the tree; what line breaks did to spaces is made good."""
    found, nodes = [], [game]
    while nodes:
        node: Any = nodes.pop()
        found.append(re.sub(r"\s+", "", node.comment))
        nodes += reversed(node.variations)
    return found


def ranked(scan: Scan) -> list[Entry]:
    return list(Presentation.of(scan).entries())


@pytest.mark.parametrize("make", SCANS)
@pytest.mark.parametrize("seven_bit", [False, True])
def test_what_was_written_is_read_back(make: Any, seven_bit: bool) -> None:
    scan = make()
    entries = ranked(scan)
    text = "".join(games.pgn(entries, seven_bit=seven_bit))
    back = read_all(text)
    assert len(back) == len(entries)
    for entry, game in zip(entries, back, strict=True):
        assert tree(game) == tree(games.game_of(entry))
        main, finding = [node.san() for node in game.mainline()], entry.finding
        if isinstance(finding, SlipFinding):
            assert main == [*finding.line, finding.slip.san, *finding.punishment]
    if seven_bit:
        assert text.isascii()


@pytest.mark.parametrize("make", SCANS)
def test_the_export_format(make: Any) -> None:
    """PGN standard (Edwards 1994), 8.1.1 (seven tags in order), 8.2.1 (no line of 80 characters or more; tag pairs
    stand alone on theirs), section 6 (no line starts with the escape character %)."""
    scan = make()
    text = "".join(games.pgn(ranked(scan)))
    assert "\t" not in text and "\r" not in text
    for game in text.split("\n\n[Event ")[:200]:
        tags = re.findall(r"^\[?(\w+) \"", game if game.startswith("[") else "[Event " + game, re.M)
        assert tags[:7] == ["Event", "Site", "Date", "Round", "White", "Black", "Result"]
    for line in text.splitlines():
        assert len(line) < 80 or line.startswith("[")
        assert not line.startswith("%") and len(line) <= 255
    assert "[%" not in "".join(re.findall(r"\{[^}]*\}", text)), "no command hides in a comment"


@pytest.mark.parametrize("make", SCANS)
def test_pgn_extract_has_nothing_to_complain_of(make: Any, tmp_path: Path) -> None:
    program = shutil.which("pgn-extract", path=f"{os.environ.get('PATH', '')}{os.pathsep}/usr/games")
    if program is None:
        pytest.skip("pgn-extract is not installed (Debian: pgn-extract)")
    scan = make()
    entries = ranked(scan)
    path = tmp_path / "tricks.pgn"
    path.write_text("".join(games.pgn(entries)), encoding="utf-8")
    out = tmp_path / "again.pgn"
    command: list[str | Path] = [program, "-s", "-o", out, path]  # silent: nothing but errors
    run = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert (run.returncode, run.stderr, run.stdout) == (0, "", "")
    again = read_all(out.read_text(encoding="utf-8", errors="replace"))
    assert len(again) == len(entries)
    for number, (entry, its) in enumerate(zip(entries, again, strict=True)):
        mine = games.game_of(entry, caution="" if number else FAIR_PLAY)
        assert tree(its) == tree(mine), "moves, variations and signs"
        assert words(its) == words(mine)


@pytest.mark.parametrize("make", SCANS)
def test_epd_is_read_back(make: Any) -> None:
    scan = make()
    for entry in ranked(scan):
        records, finding = games.epd_records(entry), entry.finding
        assert records
        for record in records:
            assert EPD_RECORD.fullmatch(record), record
            board = chess.Board()
            operations = board.set_epd(record)
            assert board.is_valid()
            assert {"ce", "id", "c0"} <= set(operations)
        if not isinstance(finding, SlipFinding):
            continue
        board = chess.Board()
        first = board.set_epd(records[0])
        assert board.epd() == chess.Board(finding.fen).epd()
        assert first["am"] == [chess.Move.from_uci(finding.slip.uci)]
        played, best = first["am"], first["bm"]
        assert isinstance(played, list) and isinstance(best, list)
        assert set(best) == {chess.Move.from_uci(move.uci) for move in finding.instead}
        board.push(played[0])
        second = chess.Board().set_epd(records[1])
        replies, line = second["bm"], second["pv"]
        assert isinstance(replies, list) and isinstance(line, list)
        assert finding.refutation is not None and chess.Move.from_uci(finding.refutation.uci) in replies
        assert board.san(line[0]) == finding.punishment[0]


@pytest.mark.parametrize("make", SCANS)
def test_epd_is_read_by_gnu_chess(make: Any, tmp_path: Path) -> None:
    """Position and best moves as GNU Chess understands them. It takes no record without `bm` (the standard demands
    none), so those are left out here. It says "Error reading" after the last record of every file: what counts is what
    it took over, the moves it names, and the position it saves (without an en passant square, which it drops)."""
    program = shutil.which("gnuchess", path=f"{os.environ.get('PATH', '')}{os.pathsep}/usr/games")
    if program is None:
        pytest.skip("GNU Chess is not installed (Debian: gnuchess)")
    scan = make()
    records = [record for entry in ranked(scan) for record in games.epd_records(entry) if " bm " in record]
    assert len(records) >= 9
    records = records[:: max(1, len(records) // 20)]  # a process for each: with many commands it fails oftener
    read: list[str] = []
    for number, record in enumerate(records):
        (tmp_path / f"{number}.epd").write_text(record + "\n", encoding="utf-8")
        commands = f"epdload {number}.epd\nepdsave {number}.out\nquit\n"
        for _ in range(5):  # now and then it overflows a buffer of its own, at any record, and aborts
            run = subprocess.run(
                [program, "-x"], input=commands, capture_output=True, text=True, errors="replace",
                timeout=60, check=False, cwd=tmp_path,
            )  # fmt: skip
            if run.returncode != -signal.SIGABRT:
                break
        assert run.returncode == 0 and "wrong" not in run.stdout
        read += re.findall(r"Best move = (.*)", run.stdout)
    assert len(read) == len(records)
    for number, (record, moves) in enumerate(zip(records, read, strict=True)):
        found = re.search(r" bm ([^;]*);", record)
        assert found is not None and moves.split() == found[1].split()
        saved = (tmp_path / f"{number}.out").read_text(encoding="utf-8")
        assert saved.split()[:3] == record.split()[:3]


def test_the_bait_is_a_game_with_both_ways() -> None:
    scan = trap_scan()
    (game,) = read_all("".join(games.pgn([Presentation.of(scan).entry(scan.baits[0])])))
    end = game.end()
    assert isinstance(end, chess.pgn.ChildNode)
    assert end.san() == "Nf3#" and end.board().is_checkmate()
    moves = [
        child.san()
        for child in end.game().variations[0].variations[0].variations[0].variations[0].variations[0].variations
    ]
    assert moves == ["Nd4", "Nf6"]


def test_mate_scores_in_epd() -> None:
    assert games.ce({"mate": 1}) == 32766
    assert games.ce({"mate": -1}) == -32765
    assert games.ce(-150) == -150


def test_seven_bits() -> None:
    assert ascii_only("Grünfeld \u2013 “x” Жук") == 'Grunfeld - "x" ???'
