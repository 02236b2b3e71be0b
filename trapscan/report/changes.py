"""What a change did: the findings of two scans side by side. For a changed repertoire, engine, settings or level."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import chess
from markupsafe import Markup

from trapscan.contract import BaitFinding, Finding, Scan, Side, SlipFinding
from trapscan.levels import at_level
from trapscan.order import by_toll
from trapscan.plain import plain
from trapscan.report.diagrams import Arrow, board_svg
from trapscan.report.men import symbols
from trapscan.report.page import asset, environment, page_title, policy
from trapscan.report.text import FAIR_PLAY, numbered, points, score_words
from trapscan.report.view import board_of_finding, kind_words, opening_text, title_of

TOLL_SHARE, TOLL_FLOOR = 0.10, 0.02
"""A toll has changed when it moved by a tenth of the larger one, and by at least 0.02 points per 100 games."""


@dataclass(frozen=True, slots=True)
class Change:
    """A finding that is in both scans, and what differs, a few words each."""

    old: Finding
    new: Finding
    what: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two scans compared: `level` is the new scan's. `notes` tell what was scanned differently; `same` counts the
    findings that did not change."""

    old: Scan
    new: Scan
    level: int
    old_level: int
    notes: tuple[str, ...]
    added: tuple[Finding, ...]
    gone: tuple[Finding, ...]
    changed: tuple[Change, ...]
    same: int


def compare(old: Scan, new: Scan) -> Comparison:
    """Compare two scans at their levels. Findings are matched by position and move, so that one that became another
    kind (a trick that is now prepared wrongly, say) counts as changed."""
    before, after = {key(finding): finding for finding in old.findings}, {key(f): f for f in new.findings}
    added = by_toll([finding for name, finding in after.items() if name not in before], new.levels, new.level)
    gone = by_toll([finding for name, finding in before.items() if name not in after], old.levels, old.level)
    changed, same = [], 0
    for finding in by_toll([finding for name, finding in after.items() if name in before], new.levels, new.level):
        what = differences(before[key(finding)], finding, old, new)
        if what:
            changed.append(Change(before[key(finding)], finding, what))
        else:
            same += 1
    return Comparison(
        old=old,
        new=new,
        level=new.level,
        old_level=old.level,
        notes=notes(old, new),
        added=tuple(added),
        gone=tuple(gone),
        changed=tuple(changed),
        same=same,
    )


def key(finding: Finding) -> tuple[str, str, str]:
    """What makes two findings the same: bait or slip, the position without its clocks, the move."""
    what = "bait" if isinstance(finding, BaitFinding) else "slip"
    return what, " ".join(finding.fen.split()[:4]), finding.move.uci


def differences(old: Finding, new: Finding, before: Scan, after: Scan) -> tuple[str, ...]:
    """What differs between two findings of one move, each at its scan's level."""
    what = []
    if old.kind != new.kind:
        what.append(f"{old.kind}, now {new.kind}")
    if old.disputed != new.disputed:
        what.append("now disputed by the second engine" if new.disputed else "no longer disputed")
    toll, now = at_level(old.toll, before.levels, before.level), at_level(new.toll, after.levels, after.level)
    if abs(now - toll) >= max(TOLL_FLOOR, TOLL_SHARE * max(abs(toll), abs(now))):
        what.append(f"toll {points(toll)}, now {points(now)}")
    if _punishes(old) != _punishes(new):
        first, then = (_punishes(finding) or "none" for finding in (old, new))
        what.append(f"refutation {plain(first)}, now {plain(then)}")
    if old.gain != new.gain:
        what.append(f"gain {old.gain}, now {new.gain}")
    if old.cp_slip != new.cp_slip and score_words(old.cp_slip) != score_words(new.cp_slip):
        mate = isinstance(old.cp_slip, dict) or isinstance(new.cp_slip, dict)
        if mate or abs(_cp(old) - _cp(new)) >= 50:
            what.append(f"score {score_words(old.cp_slip)}, now {score_words(new.cp_slip)}")
    before_it, now_it = (finding.prepared if isinstance(finding, SlipFinding) else None for finding in (old, new))
    if before_it != now_it and now_it is not None:
        what.append("the prepared answer is right" if now_it.right else "no right answer is prepared")
    return tuple(what)


def _punishes(finding: Finding) -> str:
    """The first move of the refutation, or empty."""
    return " ".join(finding.punishment[:1]) if isinstance(finding, SlipFinding) else ""


def _cp(finding: Finding) -> int:
    return finding.cp_slip if isinstance(finding.cp_slip, int) else 0


def notes(old: Scan, new: Scan) -> tuple[str, ...]:
    """What was scanned differently: files, side, level, engine, settings."""
    out = []
    for name, before, after in (
        ("level", old.level, new.level),
        ("side", old.side, new.side),
        ("engine", old.engine.name, new.engine.name),
        ("second engine", _second(old), _second(new)),
        ("engine options", _text(old.engine.options), _text(new.engine.options)),
        ("positions", old.input.positions, new.input.positions),
    ):
        if before != after:
            out.append(plain(f"{name}: {before}, now {after}", limit=300))
    if [file.sha256 for file in old.input.files] != [file.sha256 for file in new.input.files]:
        names = [", ".join(file.name for file in scan.input.files) for scan in (old, new)]
        out.append(plain(f"repertoire: {names[0]}, now {names[1]} (the contents differ)", limit=300))
    for name in sorted(set(old.settings) | set(new.settings)):
        was, now = old.settings.get(name), new.settings.get(name)
        if was != now:
            out.append(plain(f"setting {name}: {_text(was)}, now {_text(now)}", limit=300))
    return tuple(out)


def _second(scan: Scan) -> str:
    return scan.second_engine.name if scan.second_engine is not None else "none"


def _text(value: object) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, default=str)


def headline(result: Comparison) -> str:
    """The counts in one sentence."""
    return (
        f"{len(result.added)} new, {len(result.gone)} gone, {len(result.changed)} changed, {result.same} as before; "
        f"tolls at level {result.level}"
        + (f" (before: {result.old_level})" if result.old_level != result.level else "")
    )


def comparison_text(result: Comparison) -> str:
    """The comparison as plain text, one line a finding."""
    lines = [f"{page_title(result.old)} -> {page_title(result.new)}", headline(result) + "."]
    lines += [f"  {note}" for note in result.notes]
    for heading, scan, findings in (("New", result.new, result.added), ("Gone", result.old, result.gone)):
        if findings:
            lines += ["", heading, *(f"  {entry(finding, scan)}" for finding in findings)]
    if result.changed:
        lines += ["", "Changed"]
        lines += [f"  {entry(change.new, result.new)}: {'; '.join(change.what)}" for change in result.changed]
    return "\n".join(lines) + "\n"


def entry(finding: Finding, scan: Scan) -> str:
    """One finding in a line: toll, kind, what."""
    toll = points(at_level(finding.toll, scan.levels, scan.level))
    return f"{toll:>6}  {kind_words(finding):<8} {title_of(finding)}"


def comparison_html(result: Comparison, *, shown: int = 40) -> str:
    """The comparison as a page without scripts, at most `shown` boards in each part."""
    style = asset("sheet.css")
    parts = [
        _part("New", [(finding, ()) for finding in result.added], result.new, shown),
        _part("Gone", [(finding, ()) for finding in result.gone], result.old, shown),
        _part("Changed", [(change.new, change.what) for change in result.changed], result.new, shown),
    ]
    return (
        environment()
        .get_template("compare.html.j2")
        .render(
            policy=policy("", style),
            style=Markup(style),
            title=f"What changed: {page_title(result.new)}",
            headline=headline(result),
            notes=result.notes,
            parts=[part for part in parts if part["entries"]],
            men=Markup(symbols()),
            fair_play=FAIR_PLAY,
        )
    )


def _part(
    heading: str, findings: Sequence[tuple[Finding, tuple[str, ...]]], scan: Scan, shown: int
) -> dict[str, object]:
    entries = []
    for finding, what in findings[:shown]:
        arrows: list[Arrow] = [(finding.move.uci, "refutation" if isinstance(finding, BaitFinding) else "slip")]
        if isinstance(finding, SlipFinding) and finding.refutation is not None:
            arrows.append((finding.refutation.uci, "refutation"))
        board = board_of_finding(finding)
        rows = [
            ("Toll", points(at_level(finding.toll, scan.levels, scan.level))),
            ("What changed", "; ".join(what)),
            ("Line", numbered(_start(finding), finding.line)),
            ("Opening", opening_text(finding)),
            ("Why it fails", plain(finding.why_it_fails)),
        ]
        entries.append(
            {
                "board": Markup(board_svg(board, black_below=finding.victim is Side.BLACK, arrows=arrows, use=True)),
                "title": f"{kind_words(finding)}: {title_of(finding)}",
                "rows": [(name, text) for name, text in rows if text],
            }
        )
    return {"heading": heading, "entries": entries, "count": len(findings), "hidden": len(findings) - len(entries)}


def _start(finding: Finding) -> chess.Board:
    return chess.Board(finding.start_fen)
