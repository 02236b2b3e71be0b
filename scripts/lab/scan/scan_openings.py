"""Scan N lines of a table of named openings (columns eco, name, pgn) as one repertoire, and print the figures.

The lines are taken at equal distances from all files, in order, so that the choice is the same every time.

    scripts/scan_openings                              300 lines, standard preset, the best engine found
    scripts/scan_openings --lines 50 --preset quick --beyond 0 --out reports/openings
    scripts/scan_openings --lines 25 --again           cold, then the same scan warm, then with a line of 10 plies more
    scripts/scan_openings --lines 50 --store FILE, then --baits with it: what baits add; a run that was cut goes on
    scripts/scan_openings --all --tiny                 all lines with hardly any nodes: what the scan's own process does

While it runs: this process's memory and the time said to be left, against what was left in the end.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import chess

from scripts.lab.scan.running import DATA, opening_lines, peak, resident, write_lines
from trapscan import report
from trapscan.job import Progress, Result, scan

TINY = {
    "budgets": [{"chance": 0.0, "least": 100, "most": 100}],
    "best_nodes": 100,
    "confirm_nodes": 100,
    "max_candidates": 4,
}


class Record(Progress):
    """Memory now and then, and each word about the time left."""

    def __init__(self, every: float) -> None:
        self.begun = self.told = time.perf_counter()
        self.every, self.done = every, 0
        self.said: list[tuple[float, float]] = []
        self.spent: list[tuple[int, float]] = []

    def step(self, positions: int, slips: int) -> None:
        self.done += positions
        self.spent = [*self.spent[:1], (self.done, time.process_time())]
        now = time.perf_counter()
        if now - self.told >= self.every:
            self.told = now
            print(f"  {now - self.begun:6.0f} s: {self.done} positions, {resident():.0f} MB", flush=True)

    def left(self, seconds: float | None) -> None:
        if seconds is not None:
            self.said.append((time.perf_counter() - self.begun, seconds))

    def note(self, text: str) -> None:
        print(text, flush=True)

    def own(self) -> float:
        """Seconds of this process's processor time a position, from the first to the last; with one worker, it is this
        process that does all that the engine does not."""
        (first, before), (last, after) = self.spent[0], self.spent[-1]
        return (after - before) / max(1, last - first)

    def honesty(self) -> list[str]:
        """What was said at each tenth of the way, as a multiple of what was left; not where that was under a second."""
        if not self.said:
            return []
        first, last = self.said[0][0], self.said[-1][0]
        lines = []
        for tenth in range(1, 10):
            at = first + (last - first) * tenth / 10
            when, guess = next(entry for entry in self.said if entry[0] >= at)
            if last - when >= 1:
                lines.append(f"{tenth * 10} % {guess / (last - when):.2f}")
        return lines


def longer(line: str, plies: int) -> str:
    """The line with so many plies more: each time the legal move that comes first in the alphabet of UCI."""
    board = chess.Board()
    words = [word for word in line.replace(".", ". ").split() if not word.rstrip(".").isdigit()]
    for word in words:
        board.push_san(word)
    for _ in range(plies):
        move = min(board.legal_moves, key=lambda move: move.uci())
        words.append(board.san_and_push(move))
    return " ".join(words)


def tell(result: Result, wall: float, each: float) -> None:
    read, count, stats = result.scan.input, result.scan.counters, result.stats
    print(f"positions {read.positions}, merged {read.merged}, examined {count.positions}")
    print(f"candidates {count.candidates}, searches {count.searches}, engine nodes {count.engine_nodes:,}")
    print(f"findings {len(result.scan.findings)}, problems {len(result.scan.problems)}; {result.scan.engine.name}")
    print(stats.text())
    searched = stats.positions.searched
    own = time.process_time()
    if searched:
        print(
            f"a position: engines {1000 * stats.engine_cpu / searched:.1f} ms of processor time, "
            f"this process {1000 * each:.1f}"
        )
    print(
        f"searched {searched} positions; engines busy {stats.busy:.1%} of wall x workers, their processor time "
        f"{stats.used:.1%}; all {wall:.1f} s; this process {own:.1f} s of processor time so far, "
        f"{peak():.0f} MB at most"
    )


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--openings", type=Path, default=DATA / "openings")
    ask.add_argument("--lines", type=int, default=300)
    ask.add_argument("--all", action="store_true", help="all lines")
    ask.add_argument("--again", action="store_true", help="once more from the store, then with one line made longer")
    ask.add_argument("--tiny", action="store_true", help="hardly any nodes: for the parent's own behaviour only")
    ask.add_argument("--engine")
    ask.add_argument("--preset", default="standard")
    ask.add_argument("--baits", action="store_true", help="look for baits, too")
    ask.add_argument("--beyond", type=int)
    ask.add_argument("--jobs", type=int)
    ask.add_argument("--cluster")
    ask.add_argument("--store", type=Path)
    ask.add_argument("--every", type=float, default=30.0, help="seconds between two lines about memory")
    ask.add_argument("--out", type=Path, help="folder for the report")
    options = ask.parse_args()
    chosen = opening_lines(options.openings, None if options.all else options.lines)
    overrides: dict[str, Any] = dict(TINY) if options.tiny else {}
    with tempfile.TemporaryDirectory() as folder:
        pgn = Path(folder) / "openings.pgn"

        def run(what: str, lines: list[str]) -> Result:
            write_lines(lines, pgn)
            print(f"{what}: {len(lines)} lines, {time.strftime('%H:%M:%S')}", flush=True)
            record, start = Record(options.every), time.perf_counter()
            result = scan(
                [pgn],
                side="both",
                engine=options.engine,
                preset=options.preset,
                baits=options.baits,
                beyond=options.beyond,
                jobs=options.jobs,
                cluster=options.cluster,
                store=options.store or Path(folder) / "store.db",
                progress=record,
                settings=overrides,
            )
            tell(result, time.perf_counter() - start, record.own() if record.spent else 0.0)
            if record.said:
                print("time left, said : true, at " + ", ".join(record.honesty()))
            return result

        result = run("cold", chosen)
        store = options.store or Path(folder) / "store.db"
        size = sum(file.stat().st_size for file in store.parent.glob(store.name + "*"))
        print(f"store {size / 1e6:.1f} MB, {size / max(1, result.stats.positions.done):,.0f} bytes a position")
        if options.again:
            run("warm", chosen)
            edited = [*chosen[:-1], chosen[-1], longer(chosen[len(chosen) // 2], 10)]
            run("one line of 10 plies more", edited)
        if options.out is not None:
            start = time.perf_counter()
            report.write_scan(result.scan, options.out)
            report.write_reports(result.scan, options.out)
            print(f"report written in {time.perf_counter() - start:.1f} s, {peak():.0f} MB at most")
            for file in sorted(options.out.iterdir()):
                print(f"  {file.name} {file.stat().st_size / 1e6:.1f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
