"""Scan positions in which people went wrong, and see whether what they played is reported, with a right punishing move.

    scripts/run check_slips [FILE] --count 150 --preset standard --engine /usr/games/stockfish
    scripts/run check_slips --count 50 --engine embedded --judge /usr/games/stockfish

FILE is a table with the columns fen_before, slip, refutation (UCI) and block; by default ../shared/data/
opening_slips.tsv.gz. So many rows of the block are drawn at random (seeded) and scanned as single positions. The judge
(by default the engine itself) says with --nodes before and after which of them lose the threshold or more, and whether
a punishing move other than the game's punishes too (it keeps at least the threshold from the victim). Prints the share
reported among those, and why each other one is not. All answers are kept in --store: a run that was cut off goes on.
"""

from __future__ import annotations

import argparse
import gzip
import random
import sys
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import chess

from trapscan import settings
from trapscan.engines import Engine, Store, default_store_path
from trapscan.job.positions import POSITIONS, Outcome, Task
from trapscan.job.run import Job
from trapscan.job.tools import Tools, tools_of
from trapscan.job.workers import Processes
from trapscan.model import Evaluation, Position, Query
from trapscan.progress import Progress
from trapscan.score import loss
from trapscan.settings import Settings

ROOT = Path(__file__).resolve().parents[3]


@dataclass(frozen=True)
class Row:
    """A slip that was played, and the reply that punished it."""

    epd: str
    fen: str
    slip: str
    reply: str

    @property
    def board(self) -> chess.Board:
        return chess.Board(self.fen)

    def after(self, *moves: str) -> str:
        """The EPD after some moves."""
        board = self.board
        for move in moves:
            board.push_uci(move)
        return board.epd()


@dataclass
class Judge:
    """An engine whose answers are kept."""

    tools: Tools
    store: Store
    nodes: int
    engine: Engine

    def __call__(self, epd: str) -> Evaluation:
        query = Query(epd, self.nodes)
        known = self.store.get(self.tools.identity, [query]).get(query)
        if known is None:
            known = self.engine.evaluate(query)
            self.store.put(self.tools.identity, [(query, known)])
        return known

    def lost(self, row: Row, *moves: str) -> float:
        """What the victim has lost after the moves, in expected score."""
        victim = row.board.turn
        return loss(self(row.epd).best.score, self(row.after(*moves)).best.score.of(victim))


def verdict(row: Row, outcome: Outcome | None, judge: Judge, chosen: Settings) -> tuple[str, str]:
    """(kind, details) of what became of the played slip."""
    if outcome is None:
        return "the position failed", ""
    examined = outcome.examined
    slip = next((slip for slip in examined.slips if slip.move == row.slip), None)
    chance = max(examined.chances[row.slip])
    if slip is not None:
        if row.reply == slip.refutation[0]:
            return "reported: the game's reply", ""
        if row.reply in slip.also:
            return "reported: the game's reply among the others", f"first {slip.refutation[0]}"
        kept = judge.lost(row, row.slip, slip.refutation[0])
        told = (
            f"{slip.refutation[0]} keeps {kept:.3f}, the game's {row.reply} {judge.lost(row, row.slip, row.reply):.3f}"
        )
        return (
            "reported: another reply that punishes" if kept >= chosen.threshold else "reported: a wrong reply"
        ), told
    other = next((entry for entry in examined.others if entry[0] == row.slip), None)
    if other is None:
        return "missed: too unlikely to be looked at", f"chance {chance:.4f}"
    lost = loss(examined.best.score, other[1])
    told = f"loses {lost:.3f} at {other[2]:,} nodes, chance {chance:.3f}"
    if lost >= chosen.threshold and chance < chosen.min_chance:
        return "missed: too unlikely once the engine had looked", told
    if other[2] <= min(budget.least for budget in chosen.budgets):
        return "missed: settled at the first glance", told
    return "missed: not confirmed", told


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("file", type=Path, nargs="?", default=ROOT.parent / "shared/data/opening_slips.tsv.gz")
    ask.add_argument("--block", default="sample")
    ask.add_argument("--count", type=int, default=150)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--preset", default="standard")
    ask.add_argument("--engine")
    ask.add_argument("--judge", help="engine that says what loses (default: the same)")
    ask.add_argument("--nodes", type=int, default=200_000, help="of the judge, before and after")
    ask.add_argument("--jobs", type=int, default=1)
    ask.add_argument("--store", type=Path, default=default_store_path())
    options = ask.parse_args()
    if not options.file.is_file():
        print(f"no table at {options.file}; name it", file=sys.stderr)
        return 2
    with gzip.open(options.file, "rt", encoding="utf-8") as table:
        names = next(table).rstrip("\n").split("\t")
        rows = [dict(zip(names, line.rstrip("\n").split("\t"), strict=False)) for line in table]
    rows = [row for row in rows if row["block"] == options.block]
    drawn = random.Random(options.seed).sample(rows, min(options.count, len(rows)))
    slips = [
        Row(chess.Board(row["fen_before"]).epd(), row["fen_before"], row["slip"], row["refutation"].split()[0])
        for row in drawn
    ]
    chosen = settings.load(options.preset, {})
    with Store(options.store) as store:
        tools = tools_of(options.engine, chosen, options.store)
        judging = tools_of(options.judge, chosen, options.store) if options.judge else tools
        with Processes(options.jobs) as workers:
            job = Job(store, workers, Progress())
            tasks = {row.epd: Task(Position(row.epd, row.fen, (), 1)) for row in slips}
            each = job.each(POSITIONS, tools, list(tasks.values()))
            outcomes = {done.task.epd: done.outcome for done in each if done.outcome is not None}
        with Engine(judging.spec, judging.probe, hash_mb=chosen.hash_mb) as engine:
            judge = Judge(judging, store, options.nodes, engine)
            counts: Counter[str] = Counter()
            losing = 0
            for row in slips:
                lost = judge.lost(row, row.slip)
                kind, told = verdict(row, outcomes.get(row.epd), judge, chosen)
                if lost < chosen.threshold:
                    counts["no slip by the judge's measure, and " + kind.split(":")[0]] += 1
                    continue
                losing += 1
                counts[kind] += 1
                if not kind.startswith("reported: the game's"):
                    print(f"{row.fen} {row.slip} {row.reply}: {kind}; {told}; the judge: {lost:.3f}")
    print(f"\n{len(slips)} rows of block {options.block}, preset {options.preset}, {tools.probe.name}")
    done = [outcome.examined for outcome in outcomes.values()]
    nodes, candidates, found = (
        sum(each) / max(1, len(done))
        for each in zip(*((e.nodes, e.candidates, len(e.slips)) for e in done), strict=True)
    )
    print(f"a position: {nodes:,.0f} nodes, {candidates:.1f} candidates, {found:.1f} slips reported")
    for kind, count in sorted(counts.items()):
        print(f"  {count:4}  {kind}")
    same = sum(count for kind, count in counts.items() if kind.startswith("reported: the game's"))
    right = same + counts["reported: another reply that punishes"]
    print(f"losing {chosen.threshold} or more by {judging.probe.name} at {options.nodes:,} nodes: {losing}")
    print(
        f"reported with a right punishing move: {right} of {losing}, {right / max(1, losing):.1%}; "
        f"the game's own: {same}"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
