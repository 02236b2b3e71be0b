"""A scan told for less: one side of it, some chapters, some natures."""

from __future__ import annotations

from collections.abc import Collection, Iterable

import msgspec

from trapscan.contract import Finding, Nature, RepertoireSide, Scan, Side, SlipFinding, SlipKind
from trapscan.errors import ReportError
from trapscan.sanitize import sanitize
from trapscan.spool import Spool


def of_natures(scan: Scan, natures: Collection[str]) -> Scan:
    """The scan with the findings of these natures alone; as it is where none is named. Raises ReportError."""
    if not natures:
        return scan
    wanted = set(map(nature_named, natures))
    return msgspec.structs.replace(scan, findings=Spool(Finding, (f for f in scan.findings if f.nature in wanted)))


def nature_named(name: str) -> Nature:
    """The nature of that name; raises ReportError where there is none."""
    try:
        return Nature(name.casefold())
    except ValueError:
        raise ReportError(f"no nature {sanitize(name, limit=20)!r}: {', '.join(Nature)}") from None


def for_side(scan: Scan, side: str | None) -> Scan:
    """The scan told for one side: the chapters for that side, or all, where none is for the other; a slip of that side
    is a pitfall, one of the other a trick. Only a scan of both
    sides can be told for another side than its own, since reach depends on who follows the repertoire."""
    if side is None or side == scan.side:
        return scan
    if scan.side is not RepertoireSide.BOTH or side not in (Side.WHITE, Side.BLACK):
        raise ReportError(f"this scan was made for {scan.side}: scan again with --side {sanitize(side, limit=10)}")
    theirs = {number for number, chapter in enumerate(scan.chapters) if chapter.side in (side, RepertoireSide.BOTH)}
    if theirs and len(theirs) < len(scan.chapters):
        return _of_places(scan, theirs, RepertoireSide(side))
    told = Spool[Finding](Finding)
    for finding in scan.findings:
        if isinstance(finding, SlipFinding) and finding.kind is not SlipKind.UNSOUND:
            kind = SlipKind.PITFALL if finding.victim == side else SlipKind.TRICK
            told.add(msgspec.structs.replace(finding, kind=kind))
        elif finding.owner == side:
            told.add(finding)
    return msgspec.structs.replace(scan, side=RepertoireSide(side), findings=told)


def of_chapters(scan: Scan, names: Iterable[str]) -> Scan:
    """The scan with the findings of these chapters alone, each told for the side that they take; as it is where none is
    named. A chapter is named by its number, from 1, or by a part of its title. Raises ReportError."""
    wanted = {number for name in names for number in chapters_named(scan, name)}
    if not wanted:
        return scan
    sides = {scan.chapters[number].side for number in wanted}
    return _of_places(scan, wanted, sides.pop() if len(sides) == 1 else RepertoireSide.BOTH)


def _of_places(scan: Scan, wanted: Collection[int], side: RepertoireSide) -> Scan:
    """The scan with the findings of the chapters at these places alone, told for a side."""
    wanted = frozenset(wanted)
    inside = (finding for finding in scan.findings if not wanted.isdisjoint(finding.chapters))
    if side is not scan.side and side is not RepertoireSide.BOTH:
        own = Side(side)
        mine = (finding for finding in inside if isinstance(finding, SlipFinding) or finding.owner is own)
        inside = (_told_for(own, finding) for finding in mine)
    return msgspec.structs.replace(scan, side=side, findings=Spool(Finding, inside))


def _told_for(side: Side, finding: Finding) -> Finding:
    """A finding of a scan of both sides in a chapter of one: a move of the other side is to be punished there, whatever
    it is elsewhere."""
    if not isinstance(finding, SlipFinding):
        return finding
    if finding.victim is not side:
        return msgspec.structs.replace(finding, kind=SlipKind.TRICK)
    if finding.kind is SlipKind.TRICK:
        return msgspec.structs.replace(finding, kind=SlipKind.PITFALL)
    return finding


def chapters_named(scan: Scan, name: str) -> list[int]:
    """The places of the chapters of that number, or with that in their title. Raises ReportError if there is none."""
    if name.isdecimal() and 1 <= int(name) <= len(scan.chapters):
        return [int(name) - 1]
    found = [place for place, chapter in enumerate(scan.chapters) if name.casefold() in chapter.title.casefold()]
    if not found:
        count = len(scan.chapters)
        known = "; ".join(f"{n} {sanitize(c.title, limit=60)}" for n, c in enumerate(scan.chapters[:8], 1))
        raise ReportError(f"no chapter {sanitize(name, limit=60)!r} among {count}: {known}{' ...' * (count > 8)}")
    return found
