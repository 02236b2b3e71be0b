"""The first 20 traps of tests/data/open_set.jsonl put to every engine found: found, refutation right, time, limit.

    scripts/check_engines                         all engines, standard preset; exit 1 if one is off its record
    scripts/check_engines --goals                 exit 1 if one falls short of its goal
    scripts/check_engines stockfish embedded      some of them, by name or path
    scripts/check_engines --traps 39 --preset quick
    scripts/check_engines --alarms --traps 39     also: how many other moves are called slips that are none

Each trap is a position with one move that is known to fail. The search room screens that move, verifies it, and looks
for its refutation, just as in a scan; other moves are left out, so that eight engines take minutes. A trap is found
when the move is reported as a slip; its refutation is right when its first move is one of the `punish` moves that the
trap's source gives. With --alarms the three likeliest other moves of each position are put to the engine too; one that
it reports is a false alarm when Stockfish at JUDGE_NODES sees less than the threshold lost. Run it where trapscan is
installed.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from tests.engines.traps import OTHERS, RECORDS, TRAPS, judged_sound, off_record, read_traps, show, table
from trapscan.engines import choose, discover
from trapscan.errors import EngineError
from trapscan.settings import load


def main() -> int:
    """Run the check, print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("engines", nargs="*", help="names or paths; default: all found")
    parser.add_argument("--traps", type=int, default=20, help="how many of the set (default 20)")
    parser.add_argument("--preset", default="standard")
    parser.add_argument("--goals", action="store_true", help="fail when a goal is not reached")
    parser.add_argument("--need", nargs="*", default=[], help="engines that must be there (for CI)")
    parser.add_argument("--alarms", action="store_true", help="count false alarms too (needs Stockfish)")
    parser.add_argument("--jobs", type=int, default=1, help="engines at once (default 1)")
    parser.add_argument("--store", type=Path, help="keep answers here and use them (times then mean nothing)")
    options = parser.parse_args()
    if not TRAPS.is_file():
        print(f"the set of traps {TRAPS.name} is missing from tests/data", file=sys.stderr)
        return 2
    settings = load(options.preset)
    traps = read_traps(options.traps, others=OTHERS if options.alarms else 0)
    try:
        specs = [choose(text) for text in options.engines] or discover()
        sound = judged_sound(traps, settings, options.store) if options.alarms else {}
    except EngineError as exc:
        print(exc, file=sys.stderr)
        return exc.exit_code
    rows = []
    for row in table(specs, traps, settings, store=options.store, sound=sound, jobs=options.jobs):
        rows.append(row)
        print(show(row, len(traps), sum(map(len, sound.values()))), flush=True)
    bad = [f"{row.name}: {row.error}" for row in rows if row.error]
    if options.traps == 20 and options.preset == "standard":
        bad += [f"{row.name}: {text}" for row in rows if (text := off_record(row))]
        short = [
            row.name for row in rows if not row.error and row.name in RECORDS and row.right < RECORDS[row.name].goal
        ]
        if short:
            print("short of the goal: " + ", ".join(f"{name} ({RECORDS[name].goal})" for name in short))
        bad += [f"{name}: short of the goal" for name in short if options.goals]
    bad += [f"{name}: missing" for name in options.need if name not in {row.name for row in rows}]
    for text in bad:
        print(f"failed: {text}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
