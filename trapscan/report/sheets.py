"""Lesson sheets as HTML, PGN and EPD, and what the PDF holds too: questions and answers on separate sheets."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from trapscan.contract import Side, SlipFinding
from trapscan.errors import ReportError
from trapscan.levels import Lens
from trapscan.order import TOLL_DIGITS, rounded
from trapscan.report import games
from trapscan.report.diagrams import Arrow, board_svg
from trapscan.report.entry import Entry
from trapscan.report.files import Held, in_utf_8, write_aside
from trapscan.report.lessons import Lesson
from trapscan.report.page import asset, environment, policy
from trapscan.report.pdf import Item, sheet_pdf
from trapscan.report.piece_svg import symbols
from trapscan.report.tables import question
from trapscan.report.text import FAIR_PLAY
from trapscan.report.words import board_of_finding, slip_and_reply

PAPERS = ("a4", "letter")
OTHERS = 3
"""So many other slips of a position are named in an answer."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: a heading, a line below it, and its items."""

    name: str
    heading: str
    about: str
    items: tuple[Item, ...]


def write_lesson(lesson: Lesson, folder: str | os.PathLike[str], paper: str = "a4") -> list[Path]:
    """Write questions and answers as HTML and PDF (`paper`: "a4" or "letter"), and the positions as PGN and EPD.

    Equal lessons give equal bytes. Raises ReportError.
    """
    if paper not in PAPERS:
        raise ReportError(f"unknown paper size {paper!r}: {' or '.join(PAPERS)}")
    with Held() as held:
        return [write_aside(Path(folder) / name, pieces, held) for name, pieces in _forms(lesson, paper)]


def _forms(lesson: Lesson, paper: str) -> Iterator[tuple[str, Iterable[bytes]]]:
    for sheet in (questions(lesson), answers(lesson)):
        yield f"{sheet.name}.html", in_utf_8([sheet_html(sheet, lesson, paper)])
        yield (
            f"{sheet.name}.pdf",
            [sheet_pdf(lesson.title, sheet.heading, sheet.about, sheet.items, paper=paper, foot=FAIR_PLAY)],
        )
    yield "lesson.pgn", in_utf_8(games.pgn(lesson.entries, event=lesson.title))
    yield "lesson.epd", in_utf_8(games.epd(lesson.entries))


def questions(lesson: Lesson) -> Sheet:
    """The sheet for the pupils: diagrams and questions, nothing else."""
    items = []
    for number, entry in enumerate(lesson.entries, 1):
        board = board_of_finding(entry.finding)
        items.append(Item(number, question(entry), board, entry.finding.victim is Side.BLACK, (), (), writing=True))
    about = f"For players around {lesson.level}. {len(items)} positions, from easy to hard."
    return Sheet("questions", "Questions", about, tuple(items))


def answers(lesson: Lesson) -> Sheet:
    """The coach's sheet: the slip and its refutation on the board, and why."""
    items = []
    places = {finding.fen for finding in lesson.findings}
    here = [f for f in lesson.scan.findings if f.fen in places and isinstance(f, SlipFinding) and f.punishment]
    for number, (finding, entry) in enumerate(zip(lesson.findings, lesson.entries, strict=True), 1):
        arrows: list[Arrow] = [(finding.slip.uci, "slip")]
        if finding.refutation is not None:
            arrows.append((finding.refutation.uci, "refutation"))
        items.append(
            Item(
                number,
                entry.title,
                board_of_finding(finding),
                finding.victim is Side.BLACK,
                tuple(arrows),
                _answer(entry, others_here(finding, here, lesson.shown.lens)),
                writing=False,
            )
        )
    about = f"For players around {lesson.level}. Dashed line and ring: the slip. Solid line and point: the refutation."
    return Sheet("answers", "Answers", about, tuple(items))


def others_here(finding: SlipFinding, slips: Iterable[SlipFinding], lens: Lens) -> str:
    """Other slips in the same position, which are right answers too: the most likely ones with their refutations."""
    others = [other for other in slips if other.fen == finding.fen and other.id != finding.id]
    others.sort(key=lambda other: (-rounded(lens.value(other.chance), TOLL_DIGITS), other.id))
    return ", ".join(slip_and_reply(other) for other in others[:OTHERS])


LEFT_OUT = {"games", "notes"}
"""Rows that do not stand on the coach's sheet: paper is short."""


def _answer(entry: Entry, others: str) -> tuple[tuple[str, str], ...]:
    """What stands beside an answer's board: name and text."""
    rows = [(row.kind.name, row.text) for row in entry.rows if row.kind.key not in LEFT_OUT]
    if others:
        rows.append(("Fails too", others))
    figures = entry.figures
    level = f"played by {figures['chance']}, punished by {figures['find']}; toll {figures['toll']} per 100 games."
    return (*rows, ("At this level", f"{level} Id {entry.id}"))


def sheet_html(sheet: Sheet, lesson: Lesson, paper: str) -> str:
    """A sheet as a page without scripts."""
    style = asset("sheet.css") + f"@page {{ size: {'A4' if paper == 'a4' else 'letter'}; margin: 14mm; }}\n"
    return (
        environment()
        .get_template("sheet.html.j2")
        .render(
            policy=policy("", style),
            style=Markup(style),
            title=lesson.title,
            sheet=sheet,
            boards=[
                Markup(board_svg(item.board, black_below=item.black_below, arrows=item.arrows, use=True))
                for item in sheet.items
            ],
            men=Markup(symbols()),
            fair_play=FAIR_PLAY,
        )
    )
