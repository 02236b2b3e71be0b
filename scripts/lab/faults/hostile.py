"""Run hostile command lines, files and surroundings against trapscan, and count what should never come.

    scripts/run hostile                      2,000 cases, all classes mixed; exit code 1 if anything was wrong
    scripts/run hostile --cases 60 --seed 7 --first 400
    scripts/run hostile --only engines

A table by class: cases, tracebacks (an internal error is one), hangs over a minute, processes left, stray files, exit
codes that are not those documented. What was wrong is printed with its folder, which is kept. Linux, with Stockfish.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.hostility.cases import CLASSES
from tests.hostility.running import FAULTS, prepare, run

ROOT = Path(__file__).resolve().parents[3]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--cases", type=int, default=2000)
    parser.add_argument("--first", type=int, default=0, help="number of the first case")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", choices=sorted(CLASSES))
    options = parser.parse_args()
    os.environ["PATH"] += os.pathsep + "/usr/games"
    work = Path(tempfile.mkdtemp(prefix="hostile-"))
    os.environ["TRAPSCAN_STORE"] = str(work / "kept")
    prepare(work)
    begun, cases, faults = time.monotonic(), Counter[str](), Counter[tuple[str, str]]()
    number, done = options.first, 0
    while done < options.cases:
        told = run(work, options.seed, number, only=options.only)
        number += 1
        if told is None:
            continue
        kind, wrong, how = told
        done += 1
        cases[kind] += 1
        faults.update((kind, fault) for fault in wrong)
        if wrong:
            print(f"--- case {number - 1}, {kind}: {', '.join(wrong)}\n{how}", flush=True)
    print(f"{'class':14}{'cases':>7}" + "".join(f"{fault:>14}" for fault in FAULTS))
    for kind in (*(kind for kind in CLASSES if cases[kind]), "all"):
        row = [sum(n for (k, f), n in faults.items() if f == fault and kind in (k, "all")) for fault in FAULTS]
        print(f"{kind:14}{cases[kind] if kind != 'all' else done:7}" + "".join(f"{count:14}" for count in row))
    print(f"{time.monotonic() - begun:.0f} s, seed {options.seed}, from case {options.first}")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
