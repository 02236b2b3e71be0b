"""Scan named lines for hours in one process, with faults and restarts, and see that nothing grows and nothing is left.

    scripts/run soak --hours 2 [--share 0.4] [--engine PATH]... [--lines 6] [--seed 1]

Each turn scans a few lines of a table of named openings (columns eco, name, pgn) through the library, with two workers
and tiny budgets, and writes the report. Most turns suffer a fault in their midst: an engine, a worker or a guard is
killed, an engine is stopped for longer than the watchdog waits, or a scan by the command line is killed and begun
again. Every tenth turn measures an engine anew. After each turn one line tells the memory and the open descriptors of
this process, zombies among its children, and processes that should have ended. At the end the last quarter is compared
with the second: exit 1 when memory or descriptors grew, or anything was left behind, or a turn failed. `--share` bounds
the load: the share of one core that is used on average.
"""

from __future__ import annotations

import argparse
import gc
import os
import random
import resource
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from scripts.lab.faults.processes import left_over, marked, open_files, resident_mib, strike, zombies
from trapscan import engines, report
from trapscan.job import scan

ROOT = Path(__file__).resolve().parents[3]

TINY: dict[str, Any] = {
    "budgets": [{"chance": 0.0, "least": 300, "most": 1_000}],
    "best_nodes": 2_000,
    "confirm_nodes": 1_000,
    "max_candidates": 3,
    "beyond": 0,
    "threshold": 0.15,
}
FAULTS = ("none", "engine", "worker", "guard", "frozen engine", "restart")
FROZEN_SECONDS = 25.0  # the watchdog's patience is 20
MEMORY_GROWTH_MIB = 10.0
CLOSING_SECONDS = 10.0


@dataclass
class Turn:
    """What was seen after one turn."""

    fault: str
    struck: bool
    error: str
    memory: float
    files: int
    zombies: int
    left: int

    def text(self, number: int, hours: float, said: str) -> str:
        return (
            f"{hours:6.3f} h  turn {number:4}  {self.memory:7.1f} MiB  {self.files:3} files  {self.zombies} zombies  "
            f"{self.left} left  {self.fault}{'' if self.struck else ' (missed)'}  {said}{self.error}"
        )


class Fault(threading.Thread):
    """Waits until a process of the wanted role is there, and a little longer, then strikes it."""

    def __init__(self, mark: str, role: str, rng: random.Random) -> None:
        super().__init__(daemon=True)
        self.mark, self.role, self.delay = mark, role, rng.uniform(0.0, 1.5)
        self.over = threading.Event()
        self.struck = role == "none"

    def run(self) -> None:
        wanted = self.role.split()[-1]
        while not self.over.wait(0.1):
            victims = [seen for seen in marked(self.mark) if seen.role == wanted]
            if not victims or self.over.wait(self.delay):
                continue
            self.struck = True
            if self.role.startswith("frozen"):
                strike(victims[0], 19)  # SIGSTOP: to be killed and replaced by the watchdog
            else:
                strike(victims[0])
            return


def by_command_line(command: list[str], rng: random.Random) -> str:
    """A scan by the command line, killed at some moment, then run to its end; the error, or ""."""
    first = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    time.sleep(rng.uniform(0.5, 6.0))
    first.kill()
    first.wait()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    return "" if done.returncode == 0 else f" EXIT {done.returncode} {done.stderr[-300:]!r}"


def used_seconds() -> float:
    """CPU of this process and of the children that have ended."""
    return sum(sum(resource.getrusage(who)[:2]) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))


def verdict(turns: list[Turn]) -> int:
    """Compare the last quarter with the second, and say what was left behind."""
    quarter = max(1, len(turns) // 4)
    early, late = turns[quarter : 2 * quarter], turns[-quarter:]
    bad = 0
    for what, limit in (("memory", MEMORY_GROWTH_MIB), ("files", 0.0)):
        was, now = (statistics.median(getattr(turn, what) for turn in part) for part in (early or late, late))
        print(f"{what}: median of the second quarter {was:.1f}, of the last {now:.1f}")
        bad |= now - was > limit
    most = {what: max(getattr(turn, what) for turn in turns) for what in ("zombies", "left")}
    errors = sum(bool(turn.error) for turn in turns)
    struck = {fault: sum(t.struck for t in turns if t.fault == fault) for fault in FAULTS}
    print(f"turns {len(turns)}, failed {errors}; most zombies {most['zombies']}, most left behind {most['left']}")
    print(f"faults struck: {struck}")
    return int(bool(bad or most["zombies"] or most["left"] or errors))


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--hours", type=float, default=2.0)
    ask.add_argument("--share", type=float, default=0.4, help="of one core, on average")
    ask.add_argument("--engine", action="append", help="taken in turn (default: Stockfish, Ethereal, the embedded one)")
    ask.add_argument("--lines", type=int, default=6, help="named lines a turn")
    ask.add_argument("--fault", action="append", choices=FAULTS, help="only this one; can be repeated")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--openings", type=Path, default=ROOT.parent / "shared/data/openings")
    options = ask.parse_args()
    faults = tuple(options.fault or FAULTS)
    tables = sorted(options.openings.glob("*.tsv"))
    if not tables:
        print(f"no tables in {options.openings}; name the folder with --openings", file=sys.stderr)
        return 2
    lines = [row.split("\t")[2] for table in tables for row in table.read_text(encoding="utf-8").splitlines()[1:]]
    rng = random.Random(options.seed)
    turns: list[Turn] = []
    with tempfile.TemporaryDirectory(prefix="soak-") as folder:
        mark = os.environ["TRAPSCAN_STORE"] = f"{folder}/kept"
        os.environ["PYTHONPATH"] = str(ROOT)
        pgn, store, out = Path(folder) / "lines.pgn", Path(folder) / "store.db", Path(folder) / "out"
        names = options.engine or [spec.name for spec in engines.discover() if _default(spec.name)] or ["embedded"]
        start = time.monotonic()
        while time.monotonic() - start < 3600 * options.hours:
            began, used = time.monotonic(), used_seconds()
            number = len(turns)
            engine = names[number % len(names)]
            fault = faults[number // len(names) % len(faults)]
            chosen = rng.sample(lines, options.lines)
            pgn.write_text("".join(f'[Event "?"]\n[Result "*"]\n\n{line} *\n\n' for line in chosen), encoding="utf-8")
            if number % 20 == 0:
                store.unlink(missing_ok=True)
            error, said = "", ""
            striker = Fault(mark, fault, rng)
            if fault not in ("none", "restart"):
                striker.start()
            try:
                if number % 10 == 9:
                    engines.probe(engines.choose(engine), fresh=True)
                if fault == "restart":
                    striker.struck = True
                    sets = [f"--set={name}={_toml(value)}" for name, value in TINY.items()]
                    command = [sys.executable, "-m", "trapscan", "scan", str(pgn), "--side", "both", "--engine", engine]
                    command += ["--store", str(store), "--out", str(out), "--jobs", "2", "--quiet", *sets]
                    error = by_command_line(command, rng)
                else:
                    result = scan([pgn], side="both", engine=engine, jobs=2, store=store, settings=TINY)
                    report.write_scan(result.scan, out)
                    report.write_reports(result.scan, out)
                    said = f"{result.stats.positions.done} positions, {len(result.scan.problems)} problems"
            except Exception as exc:  # whatever it is: a soak tells it and goes on
                error = f" ERROR {type(exc).__name__} {exc}"[:300]
            striker.over.set()
            if striker.ident is not None:
                striker.join()
            left = left_over(mark, CLOSING_SECONDS, but=("tracker",))  # joblib's own, one a parent
            gc.collect()
            dead = zombies(os.getpid())
            turn = Turn(fault, striker.struck, error, resident_mib(), open_files(), len(dead), len(left))
            turns.append(turn)
            said += "".join(f" LEFT {seen}" for seen in (*left, *dead))
            print(turn.text(number, (time.monotonic() - start) / 3600, f"{Path(engine).name}, {said}"), flush=True)
            rest = (used_seconds() - used) / options.share - (time.monotonic() - began)
            time.sleep(max(0.0, min(rest, 120.0)))
        print(f"ran {(time.monotonic() - start) / 3600:.2f} hours on {', '.join(names)}")
    return verdict(turns)


def _default(name: str) -> bool:
    return any(word in name.lower() for word in ("stockfish", "ethereal", "embedded")) and "fairy" not in name.lower()


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{name} = {_toml(each)}" for name, each in value.items()) + "}"
    return "[" + ", ".join(map(_toml, value)) + "]" if isinstance(value, list | tuple) else str(value)


if __name__ == "__main__":
    sys.exit(main())
