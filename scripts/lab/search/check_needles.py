"""Needles in haystacks: does a documented trap stand on the first page of a repertoire of other lines?

    scripts/run check_needles --engine /usr/games/stockfish --preset quick

The line of each trap is put into a repertoire of so many random named openings (seeded, from a pool of them, so that
positions recur and cost nothing again), which is scanned for the side that punishes. Prints for each trap its place
among the ideas of the tricks in the default order at --level, and its place by toll; at the end how many stand among
the first twelve, and what other powers of how often a slip happens would give. All answers are kept in --store.
"""

from __future__ import annotations

import argparse
import csv
import json
import random
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import chess

from trapscan import order
from trapscan.contract import Nature, Scan, SlipFinding
from trapscan.engines import default_store_path
from trapscan.job import scan
from trapscan.levels import Lens

ROOT = Path(__file__).resolve().parents[3]
FIRST = 12
POWERS = (0.0, 0.15, 0.25, 0.35, 0.5, 0.75, 1.0)
MAIN = (Nature.TACTIC, Nature.OVERSIGHT)


def named_lines(folder: Path, pool: int) -> list[str]:
    """A fixed draw from the tables of named openings (columns eco, name, pgn), as movetext."""
    lines = []
    for path in sorted(folder.glob("*.tsv")):
        with path.open(encoding="utf-8", newline="") as table:
            lines += [row["pgn"] for row in csv.DictReader(table, delimiter="\t")]
    return random.Random(0).sample(lines, pool)


def repertoire(trap: Sequence[str], others: Sequence[str]) -> str:
    """A PGN file with the trap's line, up to the slip, in the middle of the others."""
    board, words = chess.Board(), []
    for san in trap:
        if board.turn:
            words.append(f"{board.fullmove_number}.")
        words.append(san)
        board.push_san(san)
    games = [*others[: len(others) // 2], " ".join(words), *others[len(others) // 2 :]]
    return (
        "\n\n".join(f'[Event "Line {number}"]\n[Result "*"]\n\n{moves} *' for number, moves in enumerate(games)) + "\n"
    )


def place(ids: Sequence[str], wanted: str) -> int:
    """Counted from 1; 0 where it is not there."""
    return ids.index(wanted) + 1 if wanted in ids else 0


def places(found: Scan, trap: dict[str, str], level: int) -> tuple[dict[float, int], int, SlipFinding | None]:
    """(place by power of how often it is met, place by toll, the trap's finding)."""
    epd = chess.Board(trap["fen_before"]).epd()
    slips = [f for f in found.findings if isinstance(f, SlipFinding)]
    needle = next(
        (f for f in slips if chess.Board(f.fen).epd() == epd and f.slip.san.rstrip("+#") == trap["slip"].rstrip("+#")),
        None,
    )
    if needle is None:
        return dict.fromkeys(POWERS, 0), 0, None
    alike = [f for f in slips if f.kind is needle.kind]
    main = [f for f in alike if f.nature in MAIN]
    by_power = {}
    for power in POWERS:
        ideas = order.by_idea(main, Lens(found.levels, level), damped=power)
        by_power[power] = next((at for at, idea in enumerate(ideas, 1) if needle.id in {f.id for f in (*idea.all,)}), 0)
    return by_power, place([f.id for f in order.ranked(alike, Lens(found.levels, level), "toll")], needle.id), needle


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--traps", type=Path, default=ROOT / "tests/data/open_set.jsonl")
    ask.add_argument("--openings", type=Path, default=ROOT.parent / "shared/data/openings")
    ask.add_argument("--lines", type=int, default=12)
    ask.add_argument("--pool", type=int, default=48)
    ask.add_argument("--level", type=int, default=1400)
    ask.add_argument("--engine")
    ask.add_argument("--preset", default="quick")
    ask.add_argument("--jobs", type=int, default=1)
    ask.add_argument("--store", type=Path, default=default_store_path())
    ask.add_argument("--goal", type=float, default=0.8)
    options = ask.parse_args()
    pool = named_lines(options.openings, options.pool)
    traps = [json.loads(line) for line in options.traps.read_text(encoding="utf-8").splitlines()]
    good, good_by_toll = dict.fromkeys(POWERS, 0), 0
    for number, trap in enumerate(traps):
        with tempfile.TemporaryDirectory() as folder:
            pgn = Path(folder) / "repertoire.pgn"
            others = random.Random(number).sample(pool, options.lines)
            pgn.write_text(repertoire(trap["line"], others), encoding="utf-8")
            found = scan(
                [pgn],
                side="white" if trap["victim"] == "black" else "black",
                engine=options.engine,
                preset=options.preset,
                jobs=options.jobs,
                store=options.store,
                level=options.level,
                beyond=0,
                settings={"verify_nodes": 0},  # which are told first is the question, not whether they are true
            ).scan
        by_power, by_toll, needle = places(found, trap, options.level)
        for power, at in by_power.items():
            good[power] += 0 < at <= FIRST
        good_by_toll += 0 < by_toll <= FIRST
        told = (
            f"{needle.nature:10} worth {order.worth_at(needle, Lens(found.levels, options.level)):.2f}"
            if needle
            else "not found"
        )
        print(f"{trap['id']:28} place {by_power[order.DAMPED]:3}, by toll {by_toll:3}  {told}", flush=True)
    count = len(traps)
    print(f"\n{count} traps, each in {options.lines} other lines, level {options.level}, preset {options.preset}")
    for power, times in good.items():
        print(f"  how often it happens to the power {power:4}: {times} among the first {FIRST} ({times / count:.0%})")
    print(f"  by toll, as findings: {good_by_toll} ({good_by_toll / count:.0%})")
    share = good[order.DAMPED] / count
    print(f"default order ({order.DAMPED}): {share:.1%} (goal {options.goal:.0%})")
    return 0 if share >= options.goal else 1


if __name__ == "__main__":
    sys.exit(main())
