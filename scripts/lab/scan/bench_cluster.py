"""What a Dask cluster on this machine costs over joblib's own processes: the same scan both ways, in turn.

    scripts/run bench_cluster                   12 lines of the openings, small budgets, 2 workers, 2 rounds each way
    scripts/run bench_cluster --lines 40 --preset quick --rounds 3
    scripts/run bench_cluster --naps 200 --nap 0.3  tasks that only sleep so long: what handing them out costs, whatever
                                                else the machine is doing

Scheduler and workers are processes of their own, as on other machines, without Dask's statistics, as README tells to
start them (--statistics leaves them on). Both ways start with an empty store. Compared is
the time from the first result to the last, so that neither's start counts, and over nearly the same time the processor
time of all processes, this one, workers, scheduler and engines, which is what counts on a machine that others use too.
Needs the extra `cluster`.
"""

from __future__ import annotations

import argparse
import contextlib
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import psutil

from scripts.lab.scan.running import DATA, local_cluster, opening_lines, write_lines
from trapscan.contract import encode_scan
from trapscan.job import Progress, scan
from trapscan.job.cluster import Cluster
from trapscan.job.tools import Tools, tools_of
from trapscan.job.workers import Processes, Workers
from trapscan.settings import build

SMALL = {
    "budgets": [{"chance": 0.0, "least": 2000, "most": 10_000}],
    "best_nodes": 20000,
    "confirm_nodes": 10000,
    "max_candidates": 8,
}


class Clock(Progress):
    """When the first and the last result came, how many in between, and the processor time that was spent meanwhile."""

    def __init__(self) -> None:
        self.times: list[float] = []
        self.spent: list[tuple[int, float, float]] = []

    def step(self, positions: int, slips: int) -> None:
        self.times += [time.perf_counter()] * positions
        if len(self.times) % 10 == 1:  # looking at all processes takes some milliseconds
            self.spent.append((len(self.times), *processor_time()))

    @property
    def spent_each(self) -> tuple[float, float]:
        """Seconds of processor time a position: Python of all processes, engines."""
        (first, *before), (last, *after) = self.spent[0], self.spent[-1]
        python, engines = ((b - a) / (last - first) for a, b in zip(before, after, strict=True))
        return python, engines

    @property
    def each(self) -> float:
        """Seconds a position, from the first result to the last."""
        return (self.times[-1] - self.times[0]) / (len(self.times) - 1)


def processor_time() -> tuple[float, float]:
    """Seconds that this process and all that come from it have taken so far: Python's, and the engines'."""
    python = engines = 0.0
    me = psutil.Process()
    for process in [me, *me.children(recursive=True)]:
        with contextlib.suppress(psutil.Error):
            times = process.cpu_times()
            if process == me or "python" in process.name():
                python += times.user + times.system
            else:
                engines += times.user + times.system
    return python, engines


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--openings", type=Path, default=DATA / "openings")
    ask.add_argument("--lines", type=int, default=12)
    ask.add_argument("--engine")
    ask.add_argument("--preset", help="instead of small budgets")
    ask.add_argument("--workers", type=int, default=2)
    ask.add_argument("--rounds", type=int, default=2)
    ask.add_argument("--naps", type=int, default=0, help="so many sleeping tasks instead of a scan")
    ask.add_argument(
        "--nap", type=float, default=0.3, help="seconds each of them sleeps (a position of standard: 0.5 to 2)"
    )
    ask.add_argument("--statistics", action="store_true", help="leave Dask's statistics on")
    options = ask.parse_args()
    if options.naps:
        return naps(options)
    chosen = opening_lines(options.openings, options.lines)
    preset: dict[str, Any] = {"preset": options.preset} if options.preset else {"settings": SMALL}
    seconds: dict[str, list[float]] = {"processes": [], "cluster": []}
    spent: dict[str, list[float]] = {"processes": [], "cluster": []}
    results = set()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pgn = folder / "lines.pgn"
        write_lines(chosen, pgn)
        for number in range(options.rounds):
            for way in seconds:
                clock, file = Clock(), folder / f"{way}-{number}.json"
                with contextlib.ExitStack() as stack:
                    where: dict[str, Any] = {"jobs": options.workers}
                    if way == "cluster":
                        up = local_cluster(file, options.workers, statistics=options.statistics)
                        where = {"cluster": stack.enter_context(up)}
                    result = scan(
                        [pgn],
                        side="both",
                        engine=options.engine,
                        store=folder / f"{way}-{number}.db",
                        progress=clock,
                        **where,
                        **preset,
                    )
                results.add(encode_scan(result.scan))
                seconds[way].append(clock.each)
                python, engines = clock.spent_each
                spent[way].append(python + engines)
                print(
                    f"{way}: {len(clock.times)} positions, {1000 * clock.each:.1f} ms each; processor time of each: "
                    f"engines {1000 * engines:.1f} ms, Python {1000 * python:.1f} ms",
                    flush=True,
                )
    for what, found in (("time", seconds), ("processor time", spent)):
        local, wide = (statistics.median(found[way]) for way in ("processes", "cluster"))
        print(f"cluster over processes, {what}: {wide / local - 1:+.1%} (medians of {options.rounds})")
    print(f"bytes equal: {len(results) == 1}")
    return 0 if len(results) == 1 else 1


def nap(tools: Tools, seconds: float) -> int:
    """A task that costs nothing but time."""
    time.sleep(seconds)
    return len(tools.identity)


def naps(options: argparse.Namespace) -> int:
    """Both ways with tasks that sleep: seconds from the first result to the last, and this process's processor time."""
    ideal = options.nap * (options.naps - options.workers) / options.workers
    over: dict[str, list[float]] = {"processes": [], "cluster": []}
    with tempfile.TemporaryDirectory() as name:
        tools = tools_of(options.engine, build({}), Path(name) / "store.db")
        up = local_cluster(Path(name) / "scheduler.json", options.workers, statistics=options.statistics)
        with up as address:
            ways: dict[str, Workers] = {"processes": Processes(options.workers), "cluster": Cluster(address, print)}
            for _ in range(options.rounds):
                for way, workers in ways.items():
                    list(workers.each(nap, tools, [0.01] * options.workers * 3))  # they are up and have loaded all
                    cpu, results = time.process_time(), workers.each(nap, tools, [options.nap] * options.naps)
                    next(results)
                    start = time.perf_counter()
                    number = sum(1 for _ in results)
                    passed, cpu = time.perf_counter() - start, time.process_time() - cpu
                    over[way].append(passed / ideal - 1)
                    print(
                        f"{way}: {number + 1} naps of {options.nap} s, {options.workers} workers: {passed:.2f} s, "
                        f"{over[way][-1]:+.1%} over naps alone; this process {1000 * cpu / number:.1f} ms a task",
                        flush=True,
                    )
            for workers in ways.values():
                workers.close()
    local, wide = (statistics.median(over[way]) for way in ("processes", "cluster"))
    print(f"cluster over processes: {(1 + wide) / (1 + local) - 1:+.1%} (medians of {options.rounds})")
    return 0


if __name__ == "__main__":
    sys.exit(main())
