"""What a change did: the findings of two scans side by side. For a changed repertoire, engine, settings or level."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup

from trapscan.contract import BaitFinding, Finding, Scan, Side, SlipFinding
from trapscan.order import ranked
from trapscan.report.diagrams import Arrow, board_svg
from trapscan.report.entry import Entry
from trapscan.report.page import asset, environment, policy
from trapscan.report.piece_svg import symbols
from trapscan.report.present import Presentation
from trapscan.report.text import FAIR_PLAY, score_words
from trapscan.report.words import board_of_finding
from trapscan.sanitize import sanitize
from trapscan.spool import Lazy

TOLL_SHARE, TOLL_FLOOR = 0.10, 0.02
"""A toll has changed when it moved by a tenth of the larger one, and by at least 0.02 points per 100 games."""


@dataclass(frozen=True, slots=True)
class Change:
    """A finding that is in both scans, and what differs, a few words each."""

    old: Finding
    new: Finding
    what: tuple[str, ...]


class Changes(Lazy[Change]):
    """Changes by the numbers of their findings in both scans, made when they are asked for."""

    def __init__(self, old: Scan, new: Scan) -> None:
        self._old, self._new = old.findings, new.findings
        self._known: list[tuple[int, int, tuple[str, ...]]] = []

    def add(self, old: int, new: int, what: tuple[str, ...]) -> None:
        """One more."""
        self._known.append((old, new, what))

    def __len__(self) -> int:
        return len(self._known)

    def _made(self, number: int) -> Change:
        old, new, what = self._known[number]
        return Change(self._old[old], self._new[new], what)


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two scans compared, each at its own level. `notes` tell what was scanned differently; `same` counts the findings
    that did not change."""

    old: Presentation
    new: Presentation
    notes: tuple[str, ...]
    added: Sequence[Finding]
    gone: Sequence[Finding]
    changed: Sequence[Change]
    same: int


def compare(old: Scan, new: Scan) -> Comparison:
    """Compare two scans at their levels. Findings are matched by position and move, so that one that became another
    kind (a trick that is now prepared wrongly, say) counts as changed."""
    was, now = Presentation.of(old), Presentation.of(new)
    before, after = numbers(old), numbers(new)
    changed, same = Changes(old, new), 0
    for outline in ranked((now.outlines[after[name]] for name in after if name in before), now.lens):
        finding = now.whole(outline)
        match = before[key(finding)]
        what = differences(was.entry(old.findings[match]), now.entry(finding))
        if what:
            changed.add(match, outline.number, what)
        else:
            same += 1
    return Comparison(
        old=was,
        new=now,
        notes=notes(old, new),
        added=now.picked(ranked((now.outlines[at] for name, at in after.items() if name not in before), now.lens)),
        gone=was.picked(ranked((was.outlines[at] for name, at in before.items() if name not in after), was.lens)),
        changed=changed,
        same=same,
    )


def numbers(scan: Scan) -> dict[tuple[str, str, str], int]:
    """The number of each finding in the scan, by its key."""
    return {key(finding): number for number, finding in enumerate(scan.findings)}


def key(finding: Finding) -> tuple[str, str, str]:
    """What makes two findings the same: bait or slip, the position without its clocks, the move."""
    what = "bait" if isinstance(finding, BaitFinding) else "slip"
    return what, " ".join(finding.fen.split()[:4]), finding.move.uci


def differences(before: Entry, after: Entry) -> tuple[str, ...]:
    """What differs between two findings of one move, each at its scan's level."""
    old, new = before.finding, after.finding
    what = []
    if old.kind != new.kind:
        what.append(f"{old.kind}, now {new.kind}")
    if old.nature != new.nature:
        what.append(f"{old.nature}, now {new.nature}")
    if old.disputed != new.disputed:
        what.append("now disputed by the second engine" if new.disputed else "no longer disputed")
    toll, now = before.lens.value(old.toll), after.lens.value(new.toll)
    if abs(now - toll) >= max(TOLL_FLOOR, TOLL_SHARE * max(abs(toll), abs(now))):
        what.append(f"toll {before.figures['toll']}, now {after.figures['toll']}")
    if _punishes(old) != _punishes(new):
        first, then = (_punishes(finding) or "none" for finding in (old, new))
        what.append(f"refutation {sanitize(first)}, now {sanitize(then)}")
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
            out.append(sanitize(f"{name}: {before}, now {after}", limit=300))
    if [file.sha256 for file in old.input.files] != [file.sha256 for file in new.input.files]:
        names = [", ".join(file.name for file in scan.input.files) for scan in (old, new)]
        out.append(sanitize(f"repertoire: {names[0]}, now {names[1]} (the contents differ)", limit=300))
    for name in sorted(set(old.settings) | set(new.settings)):
        was, now = old.settings.get(name), new.settings.get(name)
        if was != now:
            out.append(sanitize(f"setting {name}: {_text(was)}, now {_text(now)}", limit=300))
    return tuple(out)


def _second(scan: Scan) -> str:
    return scan.second_engine.name if scan.second_engine is not None else "none"


def _text(value: object) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False, default=str)


def headline(result: Comparison) -> str:
    """The counts in one sentence."""
    return (
        f"{len(result.added)} new, {len(result.gone)} gone, {len(result.changed)} changed, {result.same} as before; "
        f"tolls at level {result.new.level:.0f}"
        + (f" (before: {result.old.level:.0f})" if result.old.level != result.new.level else "")
    )


def comparison_text(result: Comparison) -> str:
    """The comparison as plain text, one line a finding."""
    lines = [f"{result.old.title} -> {result.new.title}", headline(result) + "."]
    lines += [f"  {note}" for note in result.notes]
    for heading, shown, findings in (("New", result.new, result.added), ("Gone", result.old, result.gone)):
        if findings:
            lines += ["", heading, *(f"  {one_line(shown.entry(finding))}" for finding in findings)]
    if result.changed:
        lines += ["", "Changed"]
        lines += [f"  {one_line(result.new.entry(change.new))}: {'; '.join(change.what)}" for change in result.changed]
    return "\n".join(lines) + "\n"


def one_line(entry: Entry) -> str:
    """One finding in a line: toll, kind, what."""
    return f"{entry.figures['toll']:>6}  {entry.kind:<8} {entry.title}"


def comparison_html(result: Comparison, *, shown: int = 40) -> str:
    """The comparison as a page without scripts, at most `shown` boards in each part."""
    style = asset("sheet.css")
    parts = [
        _part("New", result.added, result.new, shown),
        _part("Gone", result.gone, result.old, shown),
        _part("Changed", result.changed, result.new, shown),
    ]
    return (
        environment()
        .get_template("compare.html.j2")
        .render(
            policy=policy("", style),
            style=Markup(style),
            title=f"What changed: {result.new.title}",
            headline=headline(result),
            notes=result.notes,
            parts=[part for part in parts if part["entries"]],
            men=Markup(symbols()),
            fair_play=FAIR_PLAY,
        )
    )


ROWS_SHOWN = ("line", "opening", "fails")
"""What stands beside a board; the report itself has the rest."""


def _part(
    heading: str, findings: Sequence[Finding] | Sequence[Change], shown: Presentation, most: int
) -> dict[str, object]:
    pairs = ((each.new, each.what) if isinstance(each, Change) else (each, ()) for each in findings[:most])
    entries = [_boxed(shown.entry(finding), what) for finding, what in pairs]
    return {"heading": heading, "entries": entries, "count": len(findings), "hidden": len(findings) - len(entries)}


def _boxed(entry: Entry, what: Sequence[str]) -> dict[str, object]:
    finding = entry.finding
    arrows: list[Arrow] = [(finding.move.uci, "refutation" if isinstance(finding, BaitFinding) else "slip")]
    if isinstance(finding, SlipFinding) and finding.refutation is not None:
        arrows.append((finding.refutation.uci, "refutation"))
    black = finding.victim is Side.BLACK
    rows = [("Toll", entry.figures["toll"]), ("What changed", "; ".join(what))]
    rows += [(row.kind.name, row.text) for row in entry.rows if row.kind.key in ROWS_SHOWN]
    return {
        "board": Markup(board_svg(board_of_finding(finding), black_below=black, arrows=arrows, use=True)),
        "title": f"{entry.kind}: {entry.title}",
        "rows": [(name, text) for name, text in rows if text],
    }
