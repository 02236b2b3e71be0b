"""After what share of a scan's nodes is the first page complete?

    scripts/run bench_first_page FILE...                       each file scanned into a store, then replayed from it
    scripts/run bench_first_page --openings DIR --lines 300    named lines of a table as one repertoire (scan_openings)
    scripts/run bench_first_page --minutes 1 FILE...           the same ended by time: what of the first page is there

The first page: the leads of the first twelve ideas of each kind of the finished report (unsound moves, tricks,
pitfalls), as far as they are worth a place there. A scan is made from start to end into the store (a run that was cut
goes on); then the walk is made again, in its own order, with every answer from the store, and it is noted after what
share of all nodes (glances and long looks among them) the position of each lead has been examined. Told is the share
after which nine in ten are there, and how many are there at 30 %; then how many of them the report that is made at that
moment has on its own first page. Fewer nodes for what comes after the examining make that share worse though nothing
comes later: so the share of the examining alone is told too, and the nodes after which half and nine in ten are there.

With --minutes each file is scanned anew (its store is left aside), and its report compared with the finished one.
"""

from __future__ import annotations

import argparse
import contextlib
import math
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from trapscan import engines
from trapscan.contract import Scan, SlipFinding, SlipKind
from trapscan.job import Progress
from trapscan.job.clock import Clock
from trapscan.job.glances import NODES
from trapscan.job.pipeline import Plan, Running, run_scan
from trapscan.job.run import Done, Job
from trapscan.job.tools import tools_of
from trapscan.job.workers import Processes
from trapscan.levels import Lens
from trapscan.order import FIRST, by_idea, section_of, worthy
from trapscan.request import ScanRequest

CUT, PART = 0.3, 0.9


def first_page(scan: Scan) -> dict[str, tuple[str, str]]:
    """The leads of the first page: id to kind and EPD of the position."""
    lens = Lens(scan.levels, scan.level)
    page: dict[str, tuple[str, str]] = {}
    for kind in SlipKind:
        inside = [finding for finding in scan.slips if section_of(finding) == kind]
        leads = [idea.lead for idea in by_idea(inside, lens)[:FIRST] if worthy(idea.lead, lens)]
        page |= {lead.id: (str(kind), epd_of(lead)) for lead in leads if isinstance(lead, SlipFinding)}
    return page


def epd_of(finding: SlipFinding) -> str:
    return " ".join(finding.fen.split(" ")[:4])


class Replay(Job):
    """A job that takes up nothing from the store before its turn."""

    def known(self, *_: Any) -> Iterator[Done[Any, Any]]:
        return iter(())


@dataclass
class Watch(Progress):
    """Looks at a walk after each position: nodes so far, the glances among them; once, at the cut, its report."""

    cut: float
    running: Running | None = None
    at: dict[str, float] = field(default_factory=dict)
    then: Scan | None = None
    total: float = 0.0

    def glances(self) -> float:
        assert self.running is not None
        return float(NODES * self.running.walk.outlook.glanced)

    def present(self, report: Any) -> None:
        assert self.running is not None
        walk = self.running.walk
        nodes = self.glances() + sum(known.nodes for known in walk._done.values())
        self.at |= {position.epd: nodes for position in walk._done if position.epd not in self.at}
        if self.then is None and nodes >= self.cut:
            self.then = report()


def replayed(request: ScanRequest, scan: Scan) -> Watch:
    """The finished scan's walk made again."""
    plan, watch = Plan.of(request), Watch(CUT * scan.counters.engine_nodes)
    assert request.store is not None
    tools = tools_of(request.engine, plan.settings, request.store)
    with contextlib.closing(engines.Store(request.store)) as store, Processes(1) as workers:
        running = Running(plan, (), tools, None, Replay(store, workers, watch), Clock(time.monotonic()))
        watch.running = running
        running.walk.run()
        watch.present(running.report)
    watch.total = scan.counters.engine_nodes + watch.glances()  # these are in no counter
    return watch


def tell(name: str, page: dict[str, tuple[str, str]], watch: Watch, seconds: float) -> list[tuple[float, float, float]]:
    """Of each lead: its share of all nodes, of those of the examining, and its nodes."""
    total = watch.total
    shares = {lead: watch.at[epd] / total for lead, (_, epd) in page.items()}
    assert watch.then is not None
    shown = first_page(watch.then)
    parts = []
    for kind in (*map(str, SlipKind), "all"):
        leads = [lead for lead, (its, _) in page.items() if kind in (its, "all")]
        if leads:
            there = sorted(shares[lead] for lead in leads)
            parts.append(
                f"{kind} {share_of(there):.0%} ({sum(share <= CUT for share in there)} of {len(there)} at {CUT:.0%}, "
                f"{sum(lead in shown for lead in leads)} on its page)"
            )
    examined, glanced = max(watch.at.values()) / total, watch.glances() / total
    print(
        f"{name}: {'; '.join(parts)}; all examined at {examined:.0%}, glances {glanced:.1%}; "
        f"{total / 1e6:.0f}M nodes, {seconds:.0f} s"
    )
    return [(share, share / examined, share * total) for share in shares.values()]


def share_of(there: Sequence[float], part: float = PART) -> float:
    """After what share (or nodes) that part of all is there."""
    return sorted(there)[math.ceil(part * len(there)) - 1] if there else 0.0


def named_lines(folder: Path, number: int) -> str:
    rows = [
        row.split("\t")[2]
        for table in sorted(folder.glob("*.tsv"))
        for row in table.read_text(encoding="utf-8").splitlines()[1:]
    ]
    lines = [rows[i * len(rows) // number] for i in range(number)]
    return "".join(f'[Event "Line"]\n[Result "*"]\n\n{line} *\n\n' for line in lines)


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("files", nargs="*", type=Path)
    ask.add_argument("--openings", type=Path, help="folder with tables of named openings (columns eco, name, pgn)")
    ask.add_argument("--lines", type=int, default=300)
    ask.add_argument("--engine")
    ask.add_argument("--preset", default="standard")
    ask.add_argument("--jobs", type=int)
    ask.add_argument("--store", type=Path, help="kept, so that a run that was cut goes on")
    ask.add_argument("--minutes", type=float)
    options = ask.parse_args()
    every: list[tuple[float, float, float]] = []
    there = of = 0
    with tempfile.TemporaryDirectory() as folder:
        files, sides = list(options.files), {}
        if options.openings is not None:
            files.append(Path(folder) / f"{options.lines}-lines.pgn")
            files[-1].write_text(named_lines(options.openings, options.lines), encoding="utf-8")
            sides[files[-1]] = "both"
        for file in files:
            asked: dict[str, Any] = {"engine": options.engine, "preset": options.preset, "side": sides.get(file)}
            whole = ScanRequest([file], store=options.store or Path(folder) / "store.db", jobs=options.jobs, **asked)
            begun = time.perf_counter()
            result = run_scan(whole)
            seconds, page = time.perf_counter() - begun, first_page(result.scan)
            if options.minutes is not None:
                begun, fresh = time.perf_counter(), Path(folder) / f"{file.stem}-fresh.db"
                short = ScanRequest([file], store=fresh, jobs=options.jobs, minutes=options.minutes, **asked)
                part = run_scan(short).scan
                shown = set(first_page(part))
                there, of = there + len(shown & page.keys()), of + len(page)
                said, took = part.partial, time.perf_counter() - begun
                done = "all done"
                if said is not None:
                    done = f"{said.positions} of {said.of} positions, {said.stake:.0%} of the stake"
                    done += ", verified" if said.verified else ", not verified"
                common = len(shown & page.keys())
                print(
                    f"{file.stem}: {common} of the {len(page)} on its first page after {took:.0f} s; {done}", flush=True
                )
                continue
            every += tell(file.stem, page, replayed(whole, result.scan), seconds)
            sys.stdout.flush()
    if options.minutes is not None:
        print(f"all: {there} of {of}")
    else:
        shares, parts, nodes = zip(*every, strict=True) if every else ((), (), ())
        early = sum(share <= CUT for share in shares)
        print(
            f"all: nine in ten after {share_of(shares):.0%}; {early} of {len(every)} at {CUT:.0%}; after "
            f"{share_of(parts):.0%} of the examining; half after {share_of(nodes, 0.5) / 1e6:.1f}M nodes, nine in ten "
            f"after {share_of(nodes) / 1e6:.1f}M"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
