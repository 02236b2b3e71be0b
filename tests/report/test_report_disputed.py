"""What a second engine denies is set apart in every form of the report, and hidden in none."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path

import chess.pgn
import pytest

from tests.report.sample_scans import disputed_scan, trap_scan
from trapscan.contract import Scan
from trapscan.order import section_of
from trapscan.report import compare, lesson, read_scan, terminal_summary, write_reports, write_scan
from trapscan.report.present import Presentation

HEADING = "Where the engines disagree"


@pytest.fixture(scope="module")
def scan() -> Scan:
    return disputed_scan()


@pytest.fixture(scope="module")
def denied(scan: Scan) -> set[str]:
    ids = {f.id for f in scan.findings if f.disputed}
    assert 5 < len(ids) < len(scan.findings) / 2
    return ids


@pytest.fixture(scope="module")
def folder(scan: Scan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("disputed")
    write_scan(scan, folder)
    assert read_scan(folder) == scan
    write_reports(scan, folder, shown=100)
    return folder


def test_it_is_a_section_of_its_own_and_the_last(scan: Scan, denied: set[str]) -> None:
    parts = Presentation.of(scan).sections(100)
    assert parts[-1].kind.heading == HEADING
    assert {entry.id for entry in parts[-1].entries} == denied
    shown = [entry.id for part in parts for entry in part.entries]
    assert sorted(shown) == sorted(f.id for f in scan.findings), "each once, none left out"
    assert all(section_of(finding) == finding.kind for finding in trap_scan().findings)


def test_markdown(folder: Path, denied: set[str]) -> None:
    text = (folder / "report.md").read_text()
    assert f"Second engine: Second 1.0, which denies {len(denied)} of them." in text
    before, _, after = text.partition(f"## {HEADING}")
    assert set(re.findall(r"- Id: `([^`]+)`", after)) == denied
    assert not set(re.findall(r"- Id: `([^`]+)`", before)) & denied
    assert after.count("Second 1.0 does not agree: +0.12 before, -0.23 after; its reply is ") == len(denied)
    assert "does not agree" not in before and "Second 1.0 agrees: +0.12 before, -2.34 after; its reply is " in before


def test_page(folder: Path, denied: set[str]) -> None:
    text = (folder / "report.html").read_text()
    data = json.loads(text.partition('type="application/json" id="data">')[2].partition("</script>")[0])
    assert {f["id"] for f in data["findings"] if f["section"] == "disputed"} == denied
    assert all(("disputed" in f["kind"]) == (f["id"] in denied) for f in data["findings"])
    assert data["sections"][-1]["heading"] == HEADING


def test_pgn_and_epd(folder: Path, denied: set[str]) -> None:
    file = io.StringIO((folder / "tricks.pgn").read_text())
    seen = []
    while (game := chess.pgn.read_game(file)) is not None:
        name = game.headers["FindingId"]
        words = " ".join(" ".join(node.comment for node in game.mainline()).split())
        assert ("disputed" in game.headers["Event"]) == ("does not agree" in words) == (name in denied)
        seen.append(name in denied)
    assert seen == sorted(seen) and sum(seen) == len(denied), "they come last"
    marked = [line for line in (folder / "tricks.epd").read_text().splitlines() if 'c0 "Disputed.' in line]
    assert {re.search(r'id "(.+?)\.\w"', line)[1] for line in marked} == denied  # type: ignore[index]


def test_csv_and_cards(folder: Path, denied: set[str]) -> None:
    rows = list(csv.DictReader(io.StringIO((folder / "findings.csv").read_text("utf-8-sig"))))
    assert {row["id"] for row in rows if row["second_engine"] == "denies"} == denied
    assert {row["second_engine"] for row in rows} == {"agrees", "denies"}
    cards = (folder / "cards.txt").read_text().splitlines()
    assert sum("The engines disagree. Second 1.0 does not agree" in line for line in cards) == len(denied)


def test_terminal(scan: Scan, denied: set[str]) -> None:
    text = terminal_summary(scan, count=100, width=200)
    assert text.rindex(HEADING) > text.rindex("Tricks to set")
    rows = [line for line in text[text.rindex(HEADING) :].splitlines() if re.match(r"\s+[<\d]", line)]
    assert len(rows) == len(denied)
    assert HEADING not in terminal_summary(trap_scan())


def test_a_lesson_leaves_it_out_unless_it_is_pinned(scan: Scan, denied: set[str]) -> None:
    chosen = lesson(scan, level=1400, count=30)
    assert not {f.id for f in chosen.findings} & denied
    wanted = next(f.id for f in scan.slips if f.disputed and f.refutation is not None)
    assert wanted in {f.id for f in lesson(scan, level=1400, count=5, pin=(wanted,)).findings}


def test_a_comparison_tells_what_became_of_it(scan: Scan, denied: set[str]) -> None:
    result = compare(trap_scan(), scan)
    changed = {change.new.id for change in result.changed if "now disputed by the second engine" in change.what}
    assert changed == denied and not result.added and not result.gone
    assert "second engine: none, now Second 1.0" in result.notes
    back = compare(scan, trap_scan())
    assert {change.new.id for change in back.changed if "no longer disputed" in change.what} == denied
