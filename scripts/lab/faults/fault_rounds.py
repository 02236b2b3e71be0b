"""Run a scan many times and disturb it each time; see that nothing is lost and nothing is half-written.

    scripts/run fault_rounds                         200 rounds, all kinds of faults in turn
    scripts/run fault_rounds --rounds 20 --only "cut store" --only "kill worker" --seed 7
    scripts/run fault_rounds --list

Each round begins with a store that knows a random share of the positions (60 to 95 %), and every other one with an
older report in place; the scan is disturbed; then the same command is run once more and must end with the bytes of the
undisturbed run, leaving no process and no stray file. Faults that must not be felt (a killed worker or engine, a cut
store, a suspend...) must end so by themselves; where an error is due (full disk, read-only folder, foreign store) it
must be one line that says what to do. Reports are written on the way every half second; whatever lies in the folder
after a fault must be whole: a file of the old report, of one on the way, or of the new one. Linux only (/proc). What is
struck is seeded, when it happens depends on the machine too.

The engine is the scripted one of the tests, unless --engine names another; the repertoire is both demos. A line for
each round that failed, then a table; exit code 1 if any failed.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from scripts.lab.faults.bench import Bench, RoundFailedError, check, read
from scripts.lab.faults.kinds import KINDS, WAITING

ROOT = Path(__file__).resolve().parents[3]

SETTINGS = (
    *("budgets=[{chance=0, least=200, most=400}]", "best_nodes=500", "confirm_nodes=400", "max_candidates=2"),
    *("levels=[1500]", "beyond=1", "threshold=0.3"),
)


def play(bench: Bench, number: int, kind: str, seed: int) -> tuple[str, str, str]:
    """One round: (kind, what was done, what went wrong)."""
    rng = random.Random(f"{seed} {number}")
    place = bench.place(number, rng)
    done = ""
    try:
        done = KINDS[kind][0](place, rng)
        place.check_nothing_left()
        place.check_right(place.run())
        place.check_nothing_left()
        stray = sorted(read(place.folder / "tmp"))
        check(not stray, f"left in the folder for temporary files: {stray}")
    except RoundFailedError as failure:
        return kind, done, str(failure)
    finally:
        place.remove()
    return kind, done, ""


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--rounds", type=int, default=200)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--only", action="append", metavar="KIND", help="can be repeated")
    ask.add_argument("--no-waiting", action="store_true", help="leave out the kinds that outwait the watchdog")
    ask.add_argument("--engine", default=f"{sys.executable} {ROOT / 'tests/engines/material_uci.py'}")
    ask.add_argument("--file", type=Path, action="append", help="another repertoire; can be repeated")
    ask.add_argument("--jobs", type=int, default=2, help="workers of each scan")
    ask.add_argument("--at-once", type=int, default=1, help="rounds at once")
    ask.add_argument("--list", action="store_true", help="list the kinds and end")
    ask.add_argument("--verbose", action="store_true", help="a line for every round")
    options = ask.parse_args()
    if options.list:
        for name, (strike, needs, _) in KINDS.items():
            print(f"{name:26} {' '.join((strike.__doc__ or '').split())} {needs}")
        return 0
    if unknown := sorted(set(options.only or ()) - KINDS.keys()):
        ask.error(f"no such kind: {', '.join(unknown)}; they are {', '.join(KINDS)}")
    wanted = [name for name in options.only or KINDS if not (options.no_waiting and name in WAITING)]
    kinds = [name for name in wanted if KINDS[name][2]()]
    for name in set(wanted) - set(kinds):
        print(f"left out: {name} ({KINDS[name][1]})")
    files = options.file or sorted((ROOT / "trapscan" / "demo").glob("*.pgn"))
    with tempfile.TemporaryDirectory(prefix="faults-") as folder:
        bench = Bench(Path(folder), [path.resolve() for path in files], options.engine, options.jobs, SETTINGS)
        bench.prepare()
        print(f"undisturbed: {bench.positions} positions, {bench.seconds:.1f} s", flush=True)
        start = time.monotonic()
        struck, missed, failed = Counter[str](), Counter[str](), Counter[str]()
        with ThreadPoolExecutor(options.at_once) as pool:
            order = [kinds[number % len(kinds)] for number in range(options.rounds)]
            rounds = pool.map(lambda item: play(bench, item[0], item[1], options.seed), enumerate(order))
            try:
                for number, (kind, done, wrong) in enumerate(rounds):
                    (failed if wrong else struck if done else missed)[kind] += 1
                    if wrong or options.verbose:
                        print(f"{number}: {kind} {done or '-'}{' FAILED: ' if wrong else ''}{wrong}", flush=True)
            except KeyboardInterrupt:
                pool.shutdown(wait=True, cancel_futures=True)
                print("interrupted: the table tells of the rounds before", flush=True)
        seconds = time.monotonic() - start
    print(f"\n{'kind':26} struck  too late  failed")
    for kind in kinds:
        print(f"{kind:26} {struck[kind]:6}  {missed[kind]:8}  {failed[kind]:6}")
    print(
        f"{sum(count.total() for count in (struck, missed, failed))} rounds in {seconds:.0f} s: {struck.total()} "
        f"struck and ended right, {missed.total()} over before the fault, {failed.total()} failed"
    )
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
