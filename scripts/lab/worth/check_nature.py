"""What nature do slips have that people played and that were punished, and the documented traps? Tactic or oversight,
by construction.

    scripts/run check_nature --count 300 --engine /usr/games/stockfish

Draws so many rows of the block `sample` of ../shared/data/opening_slips.tsv.gz (seeded) and all traps of
tests/data/open_set.jsonl, examines the positions with the preset, and prints the nature of those slips that are
reported, and each that is neither a tactic nor an oversight.
"""

from __future__ import annotations

import argparse
import gzip
import json
import random
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import chess

from trapscan import settings
from trapscan.contract import Nature
from trapscan.engines import Store, default_store_path
from trapscan.job.positions import POSITIONS, Outcome, Task
from trapscan.job.run import Job
from trapscan.job.tools import tools_of
from trapscan.job.valuing import nature_and_worth
from trapscan.job.workers import Processes
from trapscan.model import Position
from trapscan.progress import Progress

ROOT = Path(__file__).resolve().parents[3]
GOALS = {"slips": 0.95, "traps": 37 / 39}


@dataclass(frozen=True)
class Case:
    """A position and the slip that was played in it (UCI)."""

    name: str
    fen: str
    moves: tuple[str, ...]
    slip: str

    def board(self) -> chess.Board:
        """The position, with the moves that lead to it where they are known."""
        board = chess.Board(self.fen)
        for uci in self.moves:
            board.push_uci(uci)
        return board

    def task(self) -> Task:
        """For the job."""
        return Task(Position(self.board().epd(), self.fen, self.moves, 1))


def slips(path: Path, count: int, seed: int) -> list[Case]:
    """A draw from the table of played slips."""
    with gzip.open(path, "rt", encoding="utf-8") as table:
        names = next(table).rstrip("\n").split("\t")
        rows = [dict(zip(names, line.rstrip("\n").split("\t"), strict=False)) for line in table]
    rows = [row for row in rows if row["block"] == "sample"]
    drawn = random.Random(seed).sample(rows, min(count, len(rows)))
    return [Case(row["fen_before"], row["fen_before"], (), row["slip"]) for row in drawn]


def traps(path: Path) -> list[Case]:
    """The documented traps."""
    cases = []
    for text in path.read_text(encoding="utf-8").splitlines():
        trap = json.loads(text)
        board = chess.Board()
        moves = tuple(board.push_san(san).uci() for san in trap["line"])
        cases.append(Case(trap["id"], chess.STARTING_FEN, moves, board.parse_san(trap["slip"]).uci()))
    return cases


def nature(case: Case, outcome: Outcome | None) -> tuple[Nature | None, str]:
    """The nature of the case's slip, None where it is not reported, and its refutation."""
    told = next((told for told in outcome.told if told.slip.move == case.slip), None) if outcome else None
    if outcome is None or told is None:
        return None, ""
    after = case.board()
    after.push_uci(case.slip)
    examined = outcome.examined
    found, _ = nature_and_worth(
        told.explanation, examined.best.score, told.slip.score, after, examined.chances[case.slip]
    )
    return found, after.variation_san([chess.Move.from_uci(uci) for uci in told.slip.refutation[:6]])


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--table", type=Path, default=ROOT.parent / "shared/data/opening_slips.tsv.gz")
    ask.add_argument("--traps", type=Path, default=ROOT / "tests/data/open_set.jsonl")
    ask.add_argument("--count", type=int, default=300)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--engine")
    ask.add_argument("--preset", default="standard")
    ask.add_argument("--jobs", type=int, default=1)
    ask.add_argument("--store", type=Path, default=default_store_path())
    options = ask.parse_args()
    if not options.table.is_file():
        print(f"no table at {options.table}; name it", file=sys.stderr)
        return 2
    sets = {"slips": slips(options.table, options.count, options.seed), "traps": traps(options.traps)}
    with Store(options.store) as store, Processes(options.jobs) as workers:
        tools = tools_of(options.engine, settings.load(options.preset, {}), options.store)
        tasks = {task.epd: task for cases in sets.values() for task in (case.task() for case in cases)}
        each = Job(store, workers, Progress()).each(POSITIONS, tools, list(tasks.values()))
        outcomes = {done.task.epd: done.outcome for done in each if done.outcome is not None}
    good = True
    for name, cases in sets.items():
        counts: Counter[str] = Counter()
        for case in cases:
            found, line = nature(case, outcomes.get(case.board().epd()))
            counts[found or "not reported"] += 1
            if found not in (Nature.TACTIC, Nature.OVERSIGHT, None):
                print(f"{found:10} {case.name}: {case.board().san(chess.Move.from_uci(case.slip))} {line}")
        reported = len(cases) - counts["not reported"]
        share = (counts[Nature.TACTIC] + counts[Nature.OVERSIGHT]) / max(1, reported)
        good = good and share >= GOALS[name]
        told = ", ".join(f"{count} {kind}" for kind, count in counts.most_common())
        print(
            f"{name}: {len(cases)}, {told}; of those reported {share:.1%} are tactics or oversights "
            f"(goal {GOALS[name]:.1%})"
        )
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
