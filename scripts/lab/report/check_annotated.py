"""Put made-up findings into PGN files and say what comes back.

Of each file: how many findings, how many of them found a place, the input's tree against the annotated tree without
what is ours (python-chess), bytes without ours against the input's, a second run against the first, what python-chess
and pgn-extract complain of beyond what they complain of in the input.

    scripts/run check_annotated FILE...
    scripts/run check_annotated --count 200 --seed 7 FILE...
"""

from __future__ import annotations

import argparse
import random
import sys
from pathlib import Path

from tests.repertoire.annotated_cases import faults_of, games_of, made_up, ours_in, pgn_extract
from trapscan import repertoire
from trapscan.pgn import without_ours
from trapscan.repertoire.annotate import annotate

ROOT = Path(__file__).resolve().parents[3]


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("files", nargs="+", type=Path, metavar="FILE")
    ask.add_argument("--count", type=int, default=100, help="findings made up for a file (default 100)")
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--encoding", default="latin-1", help="as which python-chess reads the files (default latin-1)")
    options = ask.parse_args()
    bad = 0
    print(f"{'file':28} games  moves  found  marks  same tree  same bytes  twice  python-chess  pgn-extract")
    for path in options.files:
        data = path.read_bytes()
        read = repertoire.read_files([path])
        entries = made_up(read, random.Random(options.seed), options.count)
        (once,) = annotate([data], entries)
        faults = faults_of([data], [once], options.encoding)
        verdicts = [
            not any("tree" in fault or "tags" in fault or "games" in fault for fault in faults),
            without_ours(once) == data,
            annotate([once], entries) == [once],
            sum(len(game.errors) for game in games_of(once, options.encoding))
            <= sum(len(game.errors) for game in games_of(data, options.encoding)),
        ]
        before, after = pgn_extract(data), pgn_extract(once)
        complaints = "-" if before is None or after is None else f"{len(before)} -> {len(after)} lines"
        bad += not all(verdicts)
        words = ["yes" if verdict else "NO" for verdict in verdicts]
        print(
            f"{path.name[:28]:28} {len(read.games):5}  {len(read.forest) - len(read.games):5}  {len(entries):5} "
            f"{ours_in(once, options.encoding):6}  {words[0]:>9}  {words[1]:>10}  {words[2]:>5}  {words[3]:>12}  "
            f"{complaints}"
        )
        for fault in faults:
            print(f"    {fault}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
