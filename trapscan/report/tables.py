"""Findings as rows: CSV for spreadsheets, lines of JSON for programs, tab-separated question and answer pairs, and the
terminal's table."""

from __future__ import annotations

import csv
import textwrap
from collections.abc import Callable, Iterator, Sequence

import msgspec

from trapscan.contract import BaitFinding, Scan, SlipFinding
from trapscan.order import FIRST, worth_at
from trapscan.report.entry import Entry
from trapscan.report.filing import by_chapter, prepared_text
from trapscan.report.present import Presentation
from trapscan.report.rows import CHAPTER, FIGURES, ROWS, FigureKind, RowKind
from trapscan.report.text import counted_as, one_in, side_name
from trapscan.report.words import centipawns, second_text, slip_and_reply
from trapscan.sanitize import sanitize

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "|", "%")


def cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula: one that starts like one gets an apostrophe in front (OWASP, "CSV
    Injection")."""
    text = sanitize(text)
    return "'" + text if text.startswith(_FORMULA_STARTS) else text


class _Row:
    """What csv.writer writes a row to: it comes back from `writerow`."""

    def write(self, text: str) -> str:
        return text


def _verdict(entry: Entry) -> str:
    """The second engine's word on it: "agrees", "denies", or empty."""
    second = entry.finding.verified.second_engine
    return "" if second is None else "agrees" if second.agrees else "denies"


def _number(kind: FigureKind) -> Callable[[Entry], str]:
    return lambda entry: f"{entry.lens.value(kind.values(entry.finding)):.6g}"


def _text(kind: RowKind) -> Callable[[Entry], str]:
    return lambda entry: cell(entry.row(kind.key))


COLUMNS: tuple[tuple[str, Callable[[Entry], str | int]], ...] = (
    ("id", lambda entry: cell(entry.id)),
    ("kind", lambda entry: entry.finding.kind),
    ("victim", lambda entry: entry.finding.victim),
    ("nature", lambda entry: entry.finding.nature),
    ("worth", lambda entry: f"{worth_at(entry.finding, entry.lens):.4g}"),
    ("idea", lambda entry: cell(entry.finding.idea)),
    ("level", lambda entry: f"{entry.lens.level:.0f}"),
    *((kind.key, _number(kind)) for kind in FIGURES),
    ("must_know", lambda entry: int(entry.must_know)),
    ("title", lambda entry: cell(entry.title)),
    ("fen", lambda entry: cell(entry.finding.fen)),
    ("slip", lambda entry: cell(entry.finding.move.san)),
    ("cp_best", lambda entry: centipawns(entry.finding.cp_best)),
    ("cp_slip", lambda entry: centipawns(entry.finding.cp_slip)),
    ("gain", lambda entry: entry.finding.gain),
    ("material", lambda entry: f"{entry.finding.material:g}"),
    ("move_orders", lambda entry: entry.finding.move_orders),
    ("second_engine", _verdict),
    *((kind.column, _text(kind)) for kind in ROWS if kind.column),
)
"""The columns of the CSV by name: those of their own, then the rows that are columns."""


def findings_csv(shown: Presentation) -> Iterator[str]:
    """One row a finding, numbers at the level; RFC 4180, with a header. Scores in centipawns, mates as +-(10000-n)."""
    writer = csv.writer(_Row(), lineterminator="\r\n")
    yield str(writer.writerow([name for name, _ in COLUMNS]))
    for entry in shown.entries():
        yield str(writer.writerow([value(entry) for _, value in COLUMNS]))


def findings_jsonl(shown: Presentation) -> Iterator[str]:
    """One line a finding, its record as scan.json holds it, in the order of the report."""
    for entry in shown.entries():
        yield msgspec.json.encode(entry.finding, order="sorted").decode() + "\n"


def question(entry: Entry) -> str:
    """What a pupil is asked about the position."""
    finding = entry.finding
    if isinstance(finding, BaitFinding):
        return f"{side_name(finding.owner)} to move: which move sets a trick, and which?"
    return f"{side_name(finding.victim)} to move: which natural move fails, and to what?"


def answer(entry: Entry) -> str:
    """The answer in a sentence or four."""
    finding = entry.finding
    parts = [entry.title + "."]
    if isinstance(finding, SlipFinding) and len(finding.punishment) > 1:
        parts.append(f"The line: {entry.row('moves')}.")
    parts += entry.sentences
    if entry.row("instead"):
        parts.append(f"Instead: {entry.row('instead')}.")
    if isinstance(finding, BaitFinding):
        parts += (entry.row("tricks"), entry.row("balance"), entry.row("notes"))
    elif finding.disputed:
        parts += ["The engines disagree.", second_text(finding)]
    if entry.row(CHAPTER.key):
        parts.append(f"Chapter: {entry.row(CHAPTER.key)}.")
    return " ".join(part for part in parts if part)


def question_cards(shown: Presentation) -> Iterator[str]:
    """One line an idea: question, tab, answer. No header: programs that learn from cards take it as it is."""
    for entry in shown.cards():
        ask = f"{question(entry)} After {entry.row('line')} ({sanitize(entry.finding.fen, limit=120)})"
        yield f"{ask}\t{answer(entry)}\n"


# --- the terminal ----------------------------------------------------------------------------------------------------

_NARROW = 40
MOST_CHAPTERS = 12
"""So many chapters are counted one by one."""


def terminal_summary(scan: Scan, *, width: int = 80, count: int = FIRST, level: float | None = None) -> str:
    """The first ideas of each section as plain text tables, no line wider than `width` columns (at least 40); of those
    that are closed at first only how many there are."""
    width = max(_NARROW, width)
    shown = Presentation.of(scan, level=level)
    blocks, closed = [], []
    for section in shown.sections(count):
        if section.kind.closed or not section.first:
            closed.append(f"{section.kind.heading}: {section.count}.")
            continue
        first = section.first[:count]
        more = f" (the first {len(first)} of {section.count})" if section.count > len(first) else ""
        table = _table([_row(entry) for entry in first], width)
        blocks.append(_cut(f"{section.kind.heading}{more}", width) + "\n" + table)
    unfinished = textwrap.wrap(shown.unfinished, width)
    if not blocks and not closed:
        return "\n".join([_cut("Nothing found.", width), *unfinished]) + "\n"
    pace = [f"Chances are for games of {shown.pace}."] if shown.pace else []
    foot = [
        *unfinished,
        *closed,
        *pace,
        *(line for text in _in_the_file(shown) for line in textwrap.wrap(sanitize(text), width)),
        f"Level {shown.level:.0f}. Happens: so often in games of yours. Played: by so many who get there.",
    ]
    return "\n".join(blocks) + "\n".join(_cut(line, width) for line in foot) + "\n"


def _in_the_file(shown: Presentation) -> Iterator[str]:
    """How the findings stand in the owner's file: met in games, prepared or not, and how many in which chapter."""
    if shown.counted:
        yield shown.counted
    if prepared_text(shown.scan):
        yield f"In your file: {prepared_text(shown.scan)} What to add: to-add.pgn."
    groups = by_chapter(shown, 0)
    for group in groups[:MOST_CHAPTERS]:
        yield f"Chapter {group.number}, {group.title}: {counted_as(group.count, 'finding')}."
    if len(groups) > MOST_CHAPTERS:
        yield f"... and {len(groups) - MOST_CHAPTERS} more chapters: see report.html."


_HEAD = ("Happens", "Played", "Slip and answer", "Gain", "Where")


def _row(entry: Entry) -> tuple[str, str, str, str, str]:
    finding = entry.finding
    what = entry.title if isinstance(finding, BaitFinding) else slip_and_reply(finding)
    where = entry.row("opening") or entry.row("line")
    return one_in(entry.often), entry.figures["chance"], what, entry.gain, where


def _table(rows: Sequence[tuple[str, str, str, str, str]], width: int) -> str:
    """The columns side by side; what does not fit is cut, the last column first."""
    fixed = 12 + 8 + 10 + 2
    what = max(8, min(max(len(row[2]) for row in (*rows, _HEAD)), width - fixed))
    where = width - fixed - what - 2
    lines = []
    for row in (_HEAD, *rows):
        text = f"  {row[0]:>10}  {row[1]:>6}  {_cut(row[2], what):<{what}}  {row[3]:<8}"
        if where >= 12:
            text += " " + _cut(row[4], where)
        lines.append(text.rstrip()[:width])
    return "\n".join(lines) + "\n"


def _cut(text: str, width: int) -> str:
    text = sanitize(text)
    return text if len(text) <= width else text[: max(1, width - 3)].rstrip() + "..."
