"""The report as Markdown (CommonMark): plain enough to be read as it is."""

from __future__ import annotations

import re

import jinja2

from trapscan.contract import Scan
from trapscan.plain import plain
from trapscan.report.groups import by_opening, sections
from trapscan.report.text import EMBEDDED, FAIR_PLAY, counted_as, points, side_name
from trapscan.report.view import kind_words

OF_EACH_OPENING = 5
"""So many findings stand below each opening at the end of report.md."""

_SPECIAL = re.compile(r"([\\`*_\[\]<>|&~$])")


def escape(text: str) -> str:
    """Text that CommonMark shows as it stands: no markup, no HTML, no link."""
    safe = _SPECIAL.sub(r"\\\1", plain(text))
    # what begins a list, a quotation or a rule, and bare addresses, which some readers turn into links
    safe = re.sub(r"^([-+=#]|\d+[.)](?=\s|$))", r"\\\1", safe)
    return re.sub(r"(?i)(https?|ftp|www)(?=[:.])", r"\1&#8203;", safe)


def code(text: str) -> str:
    """Text inside a code span: it cannot hold a backtick."""
    return plain(text, limit=120).replace("`", "'")


def summary(scan: Scan, level: float) -> str:
    """One sentence on what was scanned and what was found."""
    sides = {"both": "both sides", "white": "White's repertoire", "black": "Black's repertoire"}[scan.side]
    files = ", ".join(plain(file.name, limit=80) for file in scan.input.files)
    counted = scan.input
    return (
        f"{sides[:1].upper()}{sides[1:]} from {files or 'no file'}: {counted_as(counted.games, 'game')}, "
        f"{counted.positions} positions ({counted.merged} more were transpositions). "
        f"{counted_as(len(scan.findings), 'finding')}, ranked for level {level:.0f}. "
        f"Engine: {plain(scan.engine.name, limit=80)}.{_weak(scan)}{_second(scan)}{_games(scan)}"
    )


def _games(scan: Scan) -> str:
    """Which games tell what is played, if any were given."""
    if scan.evidence is None:
        return ""
    files = ", ".join(plain(file.name, limit=80) for file in scan.evidence.files)
    whose = f", moves of {plain(scan.evidence.player, limit=80)} only" if scan.evidence.player else ""
    return f" What was played is counted in {files} ({scan.evidence.games} games{whose})."


def _weak(scan: Scan) -> str:
    return f" {EMBEDDED}" if scan.engine.embedded else ""


def _second(scan: Scan) -> str:
    if scan.second_engine is None:
        return ""
    denied = sum(finding.disputed for finding in scan.findings)
    return f" Second engine: {plain(scan.second_engine.name, limit=80)}, which denies {denied or 'none'} of them."


def markdown(scan: Scan, level: float, shown: int) -> str:
    """The whole report as Markdown."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("trapscan.report", "web"),
        autoescape=False,
        trim_blocks=False,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters.update(md=escape, code=code, points=points, kind=kind_words)
    problems = [
        escape(f"{problem.file}, game {problem.game}, ply {problem.ply}: {problem.text}")
        for problem in scan.problems[:50]
    ]
    if problems:
        rest = len(scan.problems) - len(problems)
        problems.insert(0, f"Passed over: {len(scan.problems)}" + (f", the first {len(problems)} here" if rest else ""))
    text = environment.get_template("markdown.md.j2").render(
        title=escape(scan.title or f"Tricks and pitfalls for {side_name(scan.side)}"),
        summary=escape(summary(scan, level)),
        fair_play=escape(FAIR_PLAY),
        problems=problems,
        sections=sections(scan, level, shown),
        openings=by_opening(scan, level, OF_EACH_OPENING),
        of_each=OF_EACH_OPENING,
    )
    return re.sub(r"\n{3,}", "\n\n", text).strip() + "\n"
