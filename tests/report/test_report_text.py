"""Words, Markdown, CSV, question cards and the terminal: what is shown is text and nothing else."""

from __future__ import annotations

import csv
import io
import re

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt
from msgspec.structs import replace

from tests.report.sample_scans import HOSTILE, bulk_scan, hostile_scan, make_scan, trap_scan
from trapscan.contract import SlipFinding
from trapscan.levels import at_level
from trapscan.report import tables, terminal_summary
from trapscan.report.markdown import escape, markdown
from trapscan.report.present import Presentation
from trapscan.report.text import (
    WEAK,
    counted_as,
    numbered,
    pace_words,
    percent,
    points,
    position_words,
    score_words,
    signed,
)
from trapscan.report.words import title_of
from trapscan.sanitize import sanitize


@given(st.text())
def test_plain_is_one_line_without_controls(text: str) -> None:
    shown = sanitize(text)
    assert not re.search("[\x00-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069\ud800-\udfff]", shown)
    assert sanitize(shown) == shown
    shown.encode()


def test_moves_are_numbered_from_the_position() -> None:
    board = chess.Board("r1bqk1nr/pppp1ppp/2n5/2b1p3/2B1P3/5N2/PPPP1PPP/RNBQK2R b KQkq - 5 4")
    assert numbered(board, ["Nf6", "d3", "d6"]) == "4...Nf6 5.d3 d6"
    assert numbered(chess.Board(), ["e4", "e5", "Nf3"]) == "1.e4 e5 2.Nf3"


def test_numbers_never_read_as_nothing() -> None:
    assert [percent(x) for x in (0, 0.0004, 0.012, 0.0999, 0.25, 1)] == ["0.0%", "<0.1%", "1.2%", "10%", "25%", "100%"]
    assert [points(n) for n in (0, 1_000, 500_000, 9_996_000, 12_340_000)] == ["0.00", "<0.01", "0.50", "10.0", "12.3"]
    assert [points(n) for n in (1, 9_999, 14_999, 15_000, 9_994_999)] == ["<0.01", "<0.01", "0.01", "0.02", "9.99"]
    assert [signed(x) for x in (-0.04, 0.04, -0.05001, 2.44)] == ["+0.0", "+0.0", "-0.1", "+2.4"]
    assert [counted_as(n, "game") for n in (0, 1, 2)] == ["0 games", "1 game", "2 games"]
    assert score_words({"mate": 2}) == "mate in 2" and score_words({"mate": -3}) == "mated in 3"
    assert score_words({"mate": 0}) == "checkmated" and score_words(-147) == "-1.47"


def test_a_report_by_the_small_engine_says_that_it_errs() -> None:
    scan = trap_scan()
    for name, embedded, said in (
        ("Fairy-Stockfish 230826 LB", True, False),
        ("sunfish 2026", True, True),
        ("sunfish 2026", False, False),  # a user's own, who knows
    ):
        used = replace(scan, engine=replace(scan.engine, name=name, embedded=embedded))
        assert (WEAK in markdown(Presentation.of(used), 40)) is said


@pytest.mark.parametrize(
    ("control", "words"),
    [
        ("600+0", "10 minutes a side"),
        ("5400+30", "90 minutes a side and 30 seconds a move"),
        ("60+1", "1 minute a side and 1 second a move"),
        ("45+0", "45 seconds a side"),
        ("0+30", "30 seconds a move"),
    ],
)
def test_every_form_says_which_thinking_time_was_assumed(control: str, words: str) -> None:
    assert pace_words(control) == words
    scan = trap_scan()
    told = replace(scan, settings={**scan.settings, "time_control": control})
    for say in (
        lambda scan: Presentation.of(scan).summary,
        lambda scan: markdown(Presentation.of(scan), 40),
        terminal_summary,
    ):
        assert f"Chances are for games of {words}." in say(told)
        assert "Chances are for" not in say(scan)  # made before there was a choice


def test_a_position_in_words() -> None:
    words = position_words(chess.Board("4k3/8/8/8/8/8/P6P/R3K3 b Q - 0 1"))
    assert words == "White: king e1, rook a1, pawns a2 and h2. Black: king e8. Black to move."


def test_titles_of_documented_traps() -> None:
    titles = {finding.id[4:]: title_of(finding) for finding in trap_scan().findings if finding.kind != "bait"}
    assert titles["berlin-nxb5"] == "6...Nxb5?? loses the queen to 7.Nxc6+!"
    assert titles["bird-g3-gxf4"] == "3.gxf4?? runs into mate: 3...Qh4#"


@given(st.text(max_size=200) | st.sampled_from(HOSTILE))
def test_markdown_shows_any_text_as_it_is(text: str) -> None:
    """Checked with an independent reader of CommonMark."""
    line = escape("x " + text)
    html = MarkdownIt("commonmark").render(line)
    assert (html.startswith("<p>") and html.count("<") == 2) or not sanitize(text)
    back = re.sub("<[^>]*>", "", html).strip()
    for entity, char in (("&lt;", "<"), ("&gt;", ">"), ("&quot;", '"'), ("&amp;", "&"), ("\u200b", "")):
        back = back.replace(entity, char)
    assert back == sanitize("x " + text)


def test_the_markdown_report() -> None:
    scan = trap_scan()
    text = markdown(Presentation.of(scan), 3)
    heads = re.findall(r"^## (.*)$", text, re.M)
    assert heads == [
        "At a glance",
        "What to add to your file",
        "Repair first",
        "Tricks to set",
        "Pitfalls to avoid",
        "Baits",
        "By opening",
    ]
    tricks = [finding for finding in scan.findings if finding.kind == "trick"]
    assert f"... and {len(tricks) - 3} more" in text
    assert "FIDE Laws of Chess" in text
    html = MarkdownIt("commonmark").render(markdown(Presentation.of(hostile_scan()), 40))
    assert not re.search(r"<(script|img|a|iframe)\b", html)


def test_sections_are_in_order_at_the_level() -> None:
    """By hand, at a level of the scan: worth times how often it happens, to the fourth root; each in a position of its
    own, since what a higher one has shown counts less."""
    made = trap_scan()
    slips = [f for f in made.findings if isinstance(f, SlipFinding)]
    alone = [replace(f, fen=f"{f.fen} {f.id}", refutation=None) for f in slips]
    scan = replace(made, findings=tuple(alone))
    for at, level in ((0, 1000), (3, 1600), (7, 2400)):
        for section in Presentation.of(scan, level=level).sections(100):
            found = [entry.finding for entry in section.entries]
            ranks = [round(f.worth[at] * (f.met[at] * f.chance[at]) ** 0.25, 9) if f.worth else 0.0 for f in found]
            assert ranks == sorted(ranks, reverse=True)


@pytest.mark.parametrize("scan", [trap_scan(), hostile_scan(), bulk_scan(40)])
def test_csv_rows(scan) -> None:  # type: ignore[no-untyped-def]
    shown = Presentation.of(scan)
    findings = shown.ordered
    rows = list(csv.DictReader(io.StringIO("".join(tables.findings_csv(shown)), newline="")))
    assert len(rows) == len(findings)
    numbers = {
        "level",
        "toll",
        "chance",
        "find",
        "reach",
        "cost",
        "must_know",
        "cp_best",
        "cp_slip",
        "material",
        "move_orders",
    }
    for finding, row in zip(findings, rows, strict=True):
        assert None not in row and list(row) == [name for name, _ in tables.COLUMNS]
        assert row["fen"] == finding.fen
        for name, value in row.items():
            if name in numbers:
                float(value)
            else:  # OWASP, "CSV Injection": no cell may start like a formula
                assert not value.startswith(("=", "+", "-", "@", "\t", "\r"))


def test_question_cards_are_pairs() -> None:
    for scan in (trap_scan(), hostile_scan()):
        shown = Presentation.of(scan, level=1400)
        lines = "".join(tables.question_cards(shown)).splitlines()
        assert len(lines) == len(scan.findings)
        for line, entry in zip(lines, shown.cards(), strict=True):
            finding = entry.finding
            ask, answer = line.split("\t")
            assert finding.fen in ask and answer
            if isinstance(finding, SlipFinding):
                assert f"{finding.victim.capitalize()} to move" in ask
                assert finding.slip.san not in ask.split("After")[0]


@pytest.mark.parametrize("width", [20, 40, 61, 80, 100, 200])
def test_the_terminal_table_fits(width: int) -> None:
    for scan in (trap_scan(), hostile_scan(), bulk_scan(30), make_scan(())):
        text = terminal_summary(scan, width=width, count=5)
        assert max(len(line) for line in text.splitlines()) <= max(40, width)
        assert "\x1b" not in text and text.endswith("\n")
    assert "Nothing found" in terminal_summary(make_scan(()), width=80)
    assert "Repair first" in terminal_summary(trap_scan(), width=80)


def test_markdown_ends_with_the_openings() -> None:
    """Each finding is counted under its opening; what costs most comes first."""
    scan = bulk_scan(200)
    text = markdown(Presentation.of(scan), 10).partition("## By opening")[2]
    found = re.findall(r"### (\S+) (.+)\n\n(\d+) findings?, toll (\S+) in all\.\n\n((?:- .*\n)+)", text)
    wanted: dict[str, list[float]] = {}
    for finding in scan.findings:
        assert finding.opening
        toll = at_level(finding.toll, scan.levels, 1500)
        wanted.setdefault(finding.opening.name.split(":")[0], []).append(toll)
    assert {name: int(count) for _, name, count, _, _ in found} == {name: len(all_) for name, all_ in wanted.items()}
    tolls = [float(toll) for _, _, _, toll, _ in found]
    assert tolls == sorted(tolls, reverse=True)
    for _, name, _, toll, lines in found:
        assert float(toll) == pytest.approx(sum(wanted[name]), abs=0.051)
        worst = [float(line[2:].partition(":")[0].replace("\\<", "")) for line in lines.splitlines()]
        assert worst == pytest.approx(sorted(wanted[name], reverse=True)[:5], abs=0.006)
