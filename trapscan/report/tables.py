"""Findings as rows: CSV for spreadsheets, tab-separated question and answer pairs, and the terminal's table."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator, Sequence

from trapscan.contract import BaitFinding, Finding, Scan, SlipFinding
from trapscan.levels import at_level
from trapscan.order import by_toll
from trapscan.plain import plain
from trapscan.report.text import GAIN_WORDS, numbered, percent, points, side_name
from trapscan.report.view import (
    SECTIONS,
    Card,
    board_at,
    card,
    centipawns,
    opening_text,
    second_words,
    section_of,
    slip_and_reply,
    title_of,
)

CSV_COLUMNS = (
    "id", "kind", "victim", "level", "toll", "chance", "find", "reach", "cost", "must_know", "title", "line", "fen",
    "slip", "refutation", "also", "instead", "cp_best", "cp_slip", "gain", "material", "motifs", "opening",
    "why_tempting", "why_it_fails", "move_orders", "evidence", "second_engine",
)  # fmt: skip

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "|", "%")


def cell(text: str) -> str:
    """Text that no spreadsheet takes for a formula: one that starts like one gets an apostrophe in front (OWASP, "CSV
    Injection")."""
    text = plain(text)
    return "'" + text if text.startswith(_FORMULA_STARTS) else text


class _Row:
    """What csv.writer writes a row to: it comes back from `writerow`."""

    def write(self, text: str) -> str:
        return text


def findings_csv(findings: Iterable[Finding], scan: Scan, level: float) -> Iterator[str]:
    """One row a finding, numbers at `level`; RFC 4180, with a header. Scores in centipawns, mates as +-(10000-n)."""
    writer = csv.writer(_Row(), lineterminator="\r\n")
    yield str(writer.writerow(CSV_COLUMNS))
    for finding in findings:
        words = card(finding, scan, level)
        numbers = [
            f"{at_level(values, scan.levels, level):.6g}"
            for values in (finding.toll, finding.chance, finding.find, finding.reach, finding.cost)
        ]
        row = [
            cell(finding.id), finding.kind, finding.victim, f"{level:.0f}", *numbers, int(words.must_know),
            cell(words.title), cell(words.line), cell(finding.fen), cell(finding.move.san),
            cell(words.refutation), cell(words.also), cell(words.instead), centipawns(finding.cp_best),
            centipawns(finding.cp_slip), finding.gain, f"{finding.material:g}", cell(words.motifs),
            cell(words.opening), cell(words.tempting), cell(words.fails), finding.move_orders,
            cell(words.evidence), _verdict(finding),
        ]  # fmt: skip
        yield str(writer.writerow(row))


def _verdict(finding: Finding) -> str:
    """The second engine's word on it: "agrees", "denies", or empty."""
    second = finding.verified.second_engine
    return "" if second is None else "agrees" if second.agrees else "denies"


def question(finding: Finding) -> str:
    """What a pupil is asked about the position."""
    side = side_name(finding.victim)
    if isinstance(finding, BaitFinding):
        return f"{side_name(finding.owner)} to move: which move sets a trick, and which?"
    return f"{side} to move: which natural move fails, and to what?"


def answer(words: Card) -> str:
    """The answer in a sentence or four."""
    finding = words.finding
    parts = [words.title + "."]
    if isinstance(finding, SlipFinding) and len(finding.punishment) > 1:
        parts.append(f"The line: {words.refutation}.")
    parts += [words.tempting, words.fails]
    if words.instead:
        parts.append(f"Instead: {words.instead}.")
    if isinstance(finding, BaitFinding):
        parts += words.extra
    elif finding.disputed:
        parts += ["The engines disagree.", second_words(finding)]
    return " ".join(part for part in parts if part)


def question_cards(findings: Iterable[Finding], scan: Scan, level: float) -> Iterator[str]:
    """One line a finding: question, tab, answer. No header: programs that learn from cards take it as it is."""
    for finding in findings:
        words = card(finding, scan, level)
        ask = f"{question(finding)} After {words.line} ({plain(finding.fen, limit=120)})"
        yield f"{ask}\t{answer(words)}\n"


# --- the terminal ----------------------------------------------------------------------------------------------------

_NARROW = 40


def terminal_summary(scan: Scan, *, width: int = 80, count: int = 10, level: float | None = None) -> str:
    """The top of each section as plain text tables, no line wider than `width` columns (at least 40)."""
    width = max(_NARROW, width)
    at = scan.level if level is None else level
    blocks = []
    for kind, heading, _ in SECTIONS:
        ranked = by_toll([finding for finding in scan.findings if section_of(finding) == kind], scan.levels, at)
        if not ranked:
            continue
        rows = [_row(finding, scan, at) for finding in ranked[:count]]
        more = f" (the first {count} of {len(ranked)})" if len(ranked) > count else ""
        blocks.append(_cut(f"{heading}{more}", width) + "\n" + _table(rows, width))
    if not blocks:
        return _cut("Nothing found.", width) + "\n"
    foot = _cut(f"Toll: points per 100 games at level {at:.0f}. Played: by that share of players.", width)
    return "\n".join(blocks) + foot + "\n"


_HEAD = ("Toll", "Played", "Slip and answer", "Gain", "Where")


def _row(finding: Finding, scan: Scan, level: float) -> tuple[str, str, str, str, str]:
    toll = points(at_level(finding.toll, scan.levels, level))
    chance = percent(at_level(finding.chance, scan.levels, level))
    what = title_of(finding) if isinstance(finding, BaitFinding) else slip_and_reply(finding)
    line = numbered(board_at(finding.start_fen), finding.line)
    gain = GAIN_WORDS[finding.gain].split(" ")[-1]
    return toll, chance, what, gain, opening_text(finding) or line or side_name(finding.owner)


def _table(rows: Sequence[tuple[str, str, str, str, str]], width: int) -> str:
    """The columns side by side; what does not fit is cut, the last column first."""
    what = max(8, min(max(len(row[2]) for row in (*rows, _HEAD)), width - 27))
    where = width - 27 - what - 2
    lines = []
    for row in (_HEAD, *rows):
        text = f"  {row[0]:>6}  {row[1]:>6}  {_cut(row[2], what):<{what}}  {row[3]:<8}"
        if where >= 12:
            text += " " + _cut(row[4], where)
        lines.append(text.rstrip()[:width])
    return "\n".join(lines) + "\n"


def _cut(text: str, width: int) -> str:
    text = plain(text)
    return text if len(text) <= width else text[: max(1, width - 3)].rstrip() + "..."
