"""The report while the scan goes on: written now and then, all of it each time, so that there is something to read
after half a minute."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import msgspec

from trapscan.cli.bar import Bar
from trapscan.contract import Finding, Scan, SlipFinding
from trapscan.errors import ReportError
from trapscan.levels import Lens
from trapscan.order import FIRST as HEAD
from trapscan.order import Outline, by_idea, outlines, section_of
from trapscan.spool import Spool

FIRST = 30.0
"""Seconds until the first report."""

SHARE = 0.02
"""Making and writing reports on the way takes at most this part of the time."""


@dataclass(slots=True)
class Pace:
    """When a report is due: first after `due` seconds, then at twice the time of the last one, and never so soon that
    all of them took more than `share` of the time. Findings grow with the time, so the next one is taken to cost as
    much more as it comes later."""

    due: float = FIRST
    share: float = SHARE
    spent: float = 0.0

    def wrote(self, began: float, ended: float) -> None:
        """A report was made from `began` to `ended`, in seconds after the start."""
        cost = ended - began
        self.spent += cost
        self.due = max(2 * began, (self.spent + 2 * cost) / self.share)


def first_page(scan: Scan) -> Scan:
    """The report with what stands first in its sections alone: all of them takes too long to write now and then."""
    lens = Lens(scan.levels, scan.level)
    sections: dict[str, list[Outline]] = {}
    for outline in outlines(scan.findings):
        sections.setdefault(section_of(outline), []).append(outline)
    first = [idea for inside in sections.values() for idea in by_idea(inside, lens)[:HEAD]]
    kept = {outline.id for idea in first for outline in idea.all}
    kept |= {f.forgoes for f in scan.findings if isinstance(f, SlipFinding) and f.id in kept and f.forgoes}
    partial = scan.partial
    if partial is not None:
        partial = msgspec.structs.replace(partial, left_out=len(scan.findings) - len(kept))
    findings = Spool(Finding, (finding for finding in scan.findings if finding.id in kept))
    return msgspec.structs.replace(scan, findings=findings, partial=partial)


class Reporting(Bar):
    """The bar of a scan, which writes its report on the way. `write`: writes all forms of it."""

    def __init__(self, write: Callable[[Scan], None], *, shown: bool) -> None:
        super().__init__(shown=shown)
        self._write = write
        self._begun, self._pace = time.perf_counter(), Pace(FIRST, SHARE)
        self._latest: Callable[[], Scan] | None = None
        self._told = False

    def present(self, report: Callable[[], Scan]) -> None:
        """Write it, if it is due. Where that cannot be now, it is tried again when the next one is due, and at the end,
        where it is told."""
        self._latest = report
        began = time.perf_counter() - self._begun
        if began < self._pace.due:
            return
        try:
            self._write(first_page(report()))
        except ReportError:
            pass
        else:
            self._tell_once()
        self._pace.wrote(began, time.perf_counter() - self._begun)

    def write_latest(self) -> bool:
        """Write what is known by now; False where that is nothing yet. Raises ReportError."""
        if self._latest is None:
            return False
        self._write(self._latest())
        return True

    def _tell_once(self) -> None:
        if not self._told:
            self._told = True
            self.note("A first report is there, and grows while the scan goes on")


__all__ = ["FIRST", "SHARE", "Pace", "Reporting"]
