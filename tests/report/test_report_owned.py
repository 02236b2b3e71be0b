"""The owner's file in the forms of a report: chapters, marks, words, what is prepared and what to add."""

from __future__ import annotations

import csv
import io
from collections import Counter
from pathlib import Path
from typing import Any

import chess.pgn
import msgspec
import pytest

from tests.report.sample_scans import CHAPTERS, chapter_scan, make_scan, trap_finding, trap_scan, traps
from trapscan.contract import Instead, Nature, Prepared, PreparedState, Scan, SlipFinding, SlipKind
from trapscan.errors import ReportError
from trapscan.levels import Lens
from trapscan.order import often_at, section_of
from trapscan.report import lesson, write_reports
from trapscan.report.checking import check
from trapscan.report.filing import additions, by_chapter, is_missing, prepared_text
from trapscan.report.markdown import markdown
from trapscan.report.narrowed import of_chapters
from trapscan.report.owned import mark_text, state_text
from trapscan.report.present import Presentation
from trapscan.report.tables import terminal_summary


def changed(**changes: Any) -> SlipFinding:
    """3...Nd4 4.Nxe5 Qg5: White's slip in the documented traps, with these changes."""
    trap = next(trap for trap in traps() if trap["victim"] == "white" and trap["gain"] == "piece")
    return msgspec.structs.replace(trap_finding(trap, 1, ours="white"), **changes)


# --- marks -----------------------------------------------------------------------------------------------------------


def test_a_mark_of_the_author_is_answered() -> None:
    plain = changed()
    assert mark_text(plain) == ""
    fault = f"loses a piece to {plain.fen.split()[5]}...{plain.punishment[0]}"
    assert mark_text(changed(mark="??")) == f"You marked this ??: right, it {fault}."
    assert mark_text(changed(mark="?!")) == f"You marked this ?!: it {fault}."
    assert mark_text(changed(mark="!")) == f"You marked this !, but it {fault}."
    own = Instead(san=plain.instead[0].san, uci=plain.instead[0].uci, cp=40)
    number = plain.fen.split()[5]
    held: dict[str, Any] = {"own": own, "in_repertoire": True, "kind": SlipKind.UNSOUND, "cp_slip": -140}
    for mark, sign in (("", ""), ("!", "!"), ("!!", "!!")):
        said = f"Your {number}.{plain.slip.san}{sign} is 1.8 worse than your own {number}.{own.san}."
        assert mark_text(changed(mark=mark, **held)) == said
    assert mark_text(changed(mark="?", own=own)).endswith(f" You play {number}.{own.san}.")
    assert mark_text(changed(**held | {"cp_slip": {"mate": -3}})).startswith(f"Your {number}.{plain.slip.san} is worse")


@pytest.mark.parametrize("nature", Nature)
def test_every_nature_has_its_words(nature: Nature) -> None:
    assert mark_text(changed(mark="??", nature=nature)).startswith("You marked this ??: right, it ")


# --- prepared or not -------------------------------------------------------------------------------------------------


def test_what_is_prepared_is_said() -> None:
    trick = changed(kind=SlipKind.TRICK, in_repertoire=True)
    reply = f"{trick.fen.split()[5]}...{trick.punishment[0]}"

    def said(state: PreparedState, **changes: Any) -> str:
        return state_text(msgspec.structs.replace(trick, state=state, **changes))

    answered = Prepared(answers=(trick.punishment[0],), right=True)
    assert said(PreparedState.RIGHT, prepared=answered) == f"Prepared and right: your file answers {reply}."
    assert said(PreparedState.RIGHT, prepared=answered, named=trick.punishment[0]).endswith(f"{reply}.")
    wrong = said(PreparedState.WRONG, prepared=Prepared(answers=("d6",), right=False), named=trick.punishment[0])
    assert wrong.startswith("Prepared and wrong: your file answers ") and "lets it off" in wrong
    assert wrong.endswith(f"The refutation is in your file: {reply}.")
    assert said(PreparedState.NONE) == "Not prepared: your file holds this slip, but no answer."
    assert said(PreparedState.NONE, in_repertoire=False) == "Not prepared: your file lacks this slip."
    assert said(PreparedState.PAST) == "Past the end of your line."
    assert said(PreparedState.PAST, beyond=1) == "Past the end of your line, 1 ply on."
    assert said(PreparedState.PAST, beyond=2) == "Past the end of your line, 2 plies on."
    pitfall = {"kind": SlipKind.PITFALL, "in_repertoire": False}
    assert said(PreparedState.RIGHT, **pitfall, own=trick.instead[0]).startswith("Prepared and right: your file plays ")
    assert said(PreparedState.WRONG, kind=SlipKind.UNSOUND) == "Prepared and wrong: this move stands in your file."


def test_what_to_add_is_in_order_of_use_and_is_not_there_yet(tmp_path: Path) -> None:
    scan = chapter_scan()
    shown = Presentation.of(scan)
    entries = list(additions(shown))
    lens = Lens(scan.levels, 1500)
    often = [sum(often_at(finding, lens) for finding in (entry.finding, *entry.others)) for entry in entries]
    assert len(entries) > 10 and often == sorted(often, reverse=True)
    told = {finding.id for entry in entries for finding in (entry.finding, *entry.others)}
    assert told == {
        slip.id for slip in scan.slips if slip.state != "right" and section_of(slip) in ("unsound", "trick", "pitfall")
    }
    path = write_reports(scan, tmp_path)[-1]
    text = io.StringIO(path.read_text())
    for entry in entries:
        game = chess.pgn.read_game(text)
        assert game is not None and not game.errors
        finding = entry.finding
        assert isinstance(finding, SlipFinding)
        line = list(game.mainline())
        node = line[len(finding.line) - 1]
        assert node.board().epd() == chess.Board(finding.fen).epd()
        sans = [child.san() for child in node.variations]
        assert sans == (
            [finding.slip.san] if finding.kind is SlipKind.TRICK else [finding.instead[0].san, finding.slip.san]
        )
        answer = [move.san() for move in node.variations[-1].mainline()]
        assert answer == list(finding.punishment)
    assert chess.pgn.read_game(text) is None


def test_counts_of_what_is_prepared() -> None:
    counts = Counter(slip.state for slip in chapter_scan().slips)
    assert prepared_text(chapter_scan()) == (
        f"Prepared and right {counts[PreparedState.RIGHT]}, prepared and wrong {counts[PreparedState.WRONG]}, "
        f"not prepared {counts[PreparedState.NONE]}, past the end {counts[PreparedState.PAST]}."
    )
    assert prepared_text(make_scan(())) == ""
    disputed = [finding for finding in trap_scan().findings if finding.disputed]
    assert not any(map(is_missing, disputed))


# --- chapters --------------------------------------------------------------------------------------------------------


def test_each_form_tells_the_chapters_and_counts(tmp_path: Path) -> None:
    scan = chapter_scan()
    held = Counter(number for finding in scan.findings for number in finding.chapters)
    groups = by_chapter(Presentation.of(scan), 3)
    assert [(group.title, group.count) for group in groups] == [(c.title, held[n]) for n, c in enumerate(CHAPTERS)]
    files = {path.name: path.read_text("utf-8-sig") for path in write_reports(scan, tmp_path)}
    rows = list(csv.DictReader(io.StringIO(files["findings.csv"])))
    assert Counter(row["chapters"] for row in rows) == {c.title: held[n] for n, c in enumerate(CHAPTERS)}
    text = markdown(Presentation.of(scan), 3)
    for number, chapter in enumerate(CHAPTERS):
        assert f"### {number + 1}. {chapter.title}\n" in text
        assert f"{chapter.positions} positions, {held[number]} findings" in text
        assert f'[Chapter "{chapter.title}"]' in files["tricks.pgn"]
        assert f'c1 "{chapter.title}"' in files["tricks.epd"]
        assert f"Chapter: {chapter.title}." in files["cards.txt"]
    assert f"Chapter 1, Chapter A: {held[0]} findings." in terminal_summary(scan)
    assert "Of 10 chapters 5 for White and 5 for Black." in Presentation.of(scan).summary
    whole = markdown(Presentation.of(scan), 40)
    assert "Remark 0 on" in whole and "<b>" not in whole
    assert "Behind " in files["findings.csv"] and "in Chapter A: \u201cRemark 0" in files["findings.csv"]


@pytest.mark.parametrize("name", ["7", "Chapter G", "ter g"])
def test_one_chapter_alone_is_told_for_its_side(tmp_path: Path, name: str) -> None:
    scan = chapter_scan()
    few = of_chapters(scan, [name])
    assert few.side == "black" and {f.chapters for f in few.findings} == {(6,)}
    assert len(few.findings) == sum(6 in f.chapters for f in scan.findings)
    assert {(f.kind, f.victim) for f in few.slips} <= {("trick", "white"), ("pitfall", "black"), ("unsound", "black")}
    for path in write_reports(scan, tmp_path, chapters=[name]):
        assert path.stat().st_size
    both = of_chapters(scan, ["1", "7"])
    assert both.side == "both" and {f.chapters for f in both.findings} == {(0,), (6,)}
    assert of_chapters(scan, []) is scan
    with pytest.raises(ReportError, match="no chapter 'Z' among 10: 1 Chapter A; 2 "):
        of_chapters(scan, ["Z"])


def test_one_side_of_a_scan_of_chapters_for_both_has_its_chapters(tmp_path: Path) -> None:
    scan = chapter_scan()
    for side, places in (("white", range(5)), ("black", range(5, 10))):
        few = Presentation.of(scan, side=side).scan
        assert few.side == side and {f.chapters[0] for f in few.findings} == set(places)
        assert {(f.kind == "trick", f.victim == side) for f in few.slips} == {(True, False), (False, True)}


def test_a_lesson_from_one_chapter() -> None:
    scan = chapter_scan()
    chosen = lesson(scan, level=1400, count=3, chapters=["Chapter C"])
    assert chosen.findings and {f.chapters for f in chosen.findings} == {(2,)}
    with pytest.raises(ReportError, match="no chapter"):
        lesson(scan, level=1400, count=3, chapters=["no such"])


def test_a_chapter_that_is_none_is_refused() -> None:
    scan = chapter_scan()
    check(scan)
    few: Scan = msgspec.structs.replace(scan, chapters=scan.chapters[:4])
    with pytest.raises(ValueError, match="a chapter that is none"):
        check(few)
