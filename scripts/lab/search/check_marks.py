"""What a scan says to the marks of a file's author.

Documented traps, each a chapter for the side that goes wrong: the slip is marked ?, ??, ! or !? in turn, by sign and by
NAG, and a right move stands beside it. The file is scanned; of each marked move: the section that it stands in, its
mark, and what is said to it. Ends with 1 where a move marked ? or ?? stands under "Repair first".

    scripts/run check_marks --engine stockfish
    scripts/run check_marks --engine stockfish --count 39 --preset standard
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from tests.job.marked_traps import marked_traps
from trapscan import scan
from trapscan.job.rechecks import epd_of
from trapscan.report.present import Presentation

ROOT = Path(__file__).resolve().parents[3]


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--count", type=int, default=20, help="marked places (default 20)")
    ask.add_argument("--engine", default=None)
    ask.add_argument("--preset", default="quick")
    options = ask.parse_args()
    marked, bad = marked_traps(options.count), 0
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "marks.pgn"
        file.write_text("\n".join(each.game for each in marked))
        done = scan([file], engine=options.engine, preset=options.preset, beyond=0).scan
    shown = Presentation.of(done)
    found = {(epd_of(slip), slip.slip.san): shown.entry(slip) for slip in done.slips}
    for number, each in enumerate(marked, 1):
        entry = found.get((each.epd, each.trap["slip"]))
        if entry is None:
            print(f"{number:2}. {each.trap['slip']}{each.mark} ({each.trap['name']}): no slip by this engine")
            continue
        accused = entry.section == "unsound"
        bad += accused and each.mark in ("?", "??")
        print(f"{number:2}. [{entry.section}] {entry.title}. {entry.row('mark')} {entry.row('state')}")
    told = sum(finding.kind == "unsound" for finding in done.slips)
    print(f"{len(marked)} marked places; {told} under Repair first, of them marked ? or ??: {bad}")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
