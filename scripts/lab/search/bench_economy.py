"""Nodes for the slips found: trapscan beside an exhaustive search and beside the script a user would write.

For N positions of a table of named openings (columns eco, name, pgn; a seeded choice of all positions on the way), one
after another, each by one engine process in one run:
  (a) exhaustive: every legal move searched to --budget nodes, each from a cleared hash; the best of them is best
  (b) plain: one search for five lines (MultiPV 5) with as many nodes as (c) took
  (c) trapscan: chances first, then trapscan.search with the preset, explanations' extra questions included
What (a) says is the truth. Found slips are counted by what they lose: those of 0.15 and more must be found, below that
the truth's own noise decides. Those that people play (--chance, 1 % at some level) and the rest are counted apart, the
first also by nature (what wins the material: a tactical motif, an oversight, else the rest). False is what (b) or (c)
calls a slip and (a) says loses less than 0.04. Engine nodes are those of the answers; the few that pass until an engine
obeys `stop` show in the times.

    scripts/run bench_economy --positions 200 --jobs 2 --keep economy.jsonl     what FILE holds is not searched again
    scripts/run bench_economy --tape tape.sqlite --no-plain --set best_nodes=60000

With other settings only (b) and (c) are measured anew; then the exhaustive times are of an earlier run, as a line says.
With a tape every search is kept with all its iterations, so that another policy costs only what was never asked
(economy/tape.py); times mean nothing then and are not printed.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
import time
import tomllib
from collections import defaultdict
from itertools import pairwise
from pathlib import Path

import chess
import joblib
from tqdm import tqdm

from scripts.lab.search.measured import Row, measure
from trapscan.settings import load

ROOT = Path(__file__).resolve().parents[3]


def positions(folder: Path, count: int, seed: int) -> list[tuple[str, ...]]:
    """Move orders (UCI) of the positions chosen: all that occur on the way of a named line, shuffled."""
    found: dict[str, tuple[str, ...]] = {}
    for table in sorted(folder.glob("*.tsv")):
        for row in table.read_text(encoding="utf-8").splitlines()[1:]:
            board = chess.Board()
            for word in row.split("\t")[2].split():
                if san := word.rpartition(".")[2]:
                    board.push_san(san)
                    found.setdefault(board.epd(), tuple(move.uci() for move in board.move_stack))
    keys = sorted(found)
    random.Random(seed).shuffle(keys)
    return [found[key] for key in keys[:count]]


BINS = (0.10, 0.12, 0.15, 0.20, 1.01)
CLEAR = 0.15
"""Slips of this loss and more are the ones that must be found."""
FALSE, DOUBTFUL = 0.04, 0.07
"""What is told must not lose less than this by the truth; what loses less than the second is counted."""


def tell(rows: list[Row], min_chance: float, *, timed: bool, quiet: bool) -> None:
    print(f"{len(rows)} positions; nodes a position: exhaustive {total(rows, 'exhaustive', 'nodes') / len(rows):,.0f}")
    for way in ("plain", "trapscan"):
        if any(way not in row for row in rows):
            continue
        print(
            f"{way}: nodes a position {total(rows, way, 'nodes') / len(rows):,.0f}, "
            f"{ratio(rows, way, 'nodes')} of exhaustive"
        )
        if timed:
            print(f"    wall {ratio(rows, way, 'seconds')}, engine's processor time {ratio(rows, way, 'processor')}")
        tell_found(rows, way, min_chance)
        if way == "trapscan" and not quiet:
            tell_missed(rows, min_chance)
            tell_parts(rows)


def total(rows: list[Row], way: str, what: str) -> float:
    return float(sum(row[way][what] for row in rows))


def ratio(rows: list[Row], way: str, what: str) -> str:
    return f"1/{total(rows, 'exhaustive', what) / max(1e-9, total(rows, way, what)):.1f}"


def tell_found(rows: list[Row], way: str, min_chance: float) -> None:
    """Shares found by loss, for moves people play and for the rest, and by nature; what is false."""
    found: dict[tuple[str, str], list[int]] = defaultdict(lambda: [0, 0])
    told, false, doubtful = 0, 0, 0
    for row in rows:
        named = row[way]["slips"]
        told += len(named)
        for move, lost in row["losses"].items():
            hit = move in named
            false += hit and lost < FALSE
            doubtful += hit and lost < DOUBTFUL
            if lost < BINS[0]:
                continue
            bin_ = next(f"{low:.2f}-{high:.2f}" for low, high in pairwise(BINS) if low <= lost < high)
            likely = row["chance"][move] >= min_chance
            keys = [("likely" if likely else "unlikely", bin_)]
            if likely and lost >= CLEAR:
                keys += [("clear", "all"), ("clear", row["nature"][move])]
            for key in keys:
                found[key][0] += hit
                found[key][1] += 1
    for group, what in (
        ("likely", f"slips of a chance of {min_chance:.0%} and more, by loss"),
        ("clear", f"of these {CLEAR} and more, by nature"),
        ("unlikely", "less likely slips"),
    ):
        shares = [(key[1], count[0], count[1]) for key, count in sorted(found.items()) if key[0] == group]
        print(
            f"    {what}: " + ", ".join(f"{name} {hits} of {all_} ({hits / all_:.1%})" for name, hits, all_ in shares)
        )
    print(f"    told {told}: {false} lose less than {FALSE} by the truth, {doubtful} less than {DOUBTFUL}")


def tell_missed(rows: list[Row], min_chance: float) -> None:
    """Each slip that should have been found, and each that is none."""
    for row in rows:
        ours = row["trapscan"]
        for move, lost in row["losses"].items():
            chance = row["chance"][move]
            if lost >= CLEAR and chance >= min_chance and move not in ours["slips"]:
                seen = ours["others"].get(move)
                told = f"{seen[0]:.3f} after {seen[1]:,} nodes" if seen else "no candidate"
                print(
                    f"    missed: {row['epd']} {move} loses {lost:.3f} ({row['nature'][move]}), chance {chance:.3f}; "
                    f"{told}"
                )
            if move in ours["slips"] and lost < DOUBTFUL:
                told, nodes = ours["slips"][move]
                print(
                    f"    doubtful: {row['epd']} {move} loses {lost:.3f}, told {told:.3f} after {nodes:,}, "
                    f"chance {chance:.3f}"
                )


def tell_parts(rows: list[Row]) -> None:
    """What each part of the search costs, and how long its searches are."""
    parts: dict[str, list[int]] = defaultdict(list)
    for row in rows:
        for part, nodes in row["trapscan"]["searches"]:
            parts[part].append(nodes)
    for part, nodes in sorted(parts.items(), key=lambda item: -sum(item[1])):
        within = [sum(1 for n in nodes if low <= n < high) for low, high in pairwise(SIZES)]
        spent = [sum(n for n in nodes if low <= n < high) / len(rows) for low, high in pairwise(SIZES)]
        print(
            f"    {part}: {sum(nodes) / len(rows):,.0f} nodes and {len(nodes) / len(rows):.1f} searches a position; "
            "by nodes "
            + ", ".join(f"<{high:,}: {n} ({s:,.0f})" for high, n, s in zip(SIZES[1:], within, spent, strict=True) if n)
        )


SIZES = (0, 2_500, 5_000, 10_000, 20_000, 40_000, 80_000, 1 << 60)


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--openings", type=Path, default=ROOT.parent / "shared/data/openings")
    ask.add_argument("--positions", type=int, default=200)
    ask.add_argument("--seed", type=int, default=1)
    ask.add_argument("--engine", default="stockfish")
    ask.add_argument("--preset", default="standard")
    ask.add_argument("--budget", type=int, default=200_000, help="nodes after each move for the exhaustive search")
    ask.add_argument(
        "--chance", type=float, default=0.01, help="slips of this chance at some level are those that matter"
    )
    ask.add_argument("--jobs", type=int, default=1)
    ask.add_argument("--keep", type=Path, help="a file for the rows measured; what it holds is not measured again")
    ask.add_argument("--tape", type=Path, help="a file for all searches, with all that the engine said; no times then")
    ask.add_argument("--no-plain", action="store_true", help="leave the plain script out")
    ask.add_argument("--set", action="append", default=[], metavar="NAME=VALUE", help="a setting (TOML)")
    ask.add_argument("--quiet", action="store_true", help="no misses and parts")
    options = ask.parse_args()
    if not any(options.openings.glob("*.tsv")):
        print(f"no tables in {options.openings}; name the folder with --openings", file=sys.stderr)
        return 2
    settings = load(options.preset, tomllib.loads("\n".join(options.set)))
    known: dict[str, Row] = {}
    if options.keep and options.keep.exists():
        known = {row["epd"]: row for row in map(json.loads, options.keep.read_text().splitlines())}
    rows, todo = [], []
    for moves in positions(options.openings, options.positions, options.seed):
        board = chess.Board()
        for move in moves:
            board.push_uci(move)
        row = known.get(board.epd())
        if row is not None and row.get("settings") == json.loads(json.dumps(settings.public())):
            rows.append(row)
        else:
            todo.append((moves, row))
    if any(row is not None for _, row in todo):
        print("the exhaustive search was measured in an earlier run, with its times")
    start = time.perf_counter()
    run = joblib.Parallel(n_jobs=options.jobs, return_as="generator_unordered", batch_size=1)
    tasks = (
        joblib.delayed(measure)(
            options.engine, settings, options.budget, moves, row, options.tape, not options.no_plain
        )
        for moves, row in todo
    )
    for row in tqdm(run(tasks), total=len(todo), unit=" positions", disable=None):
        rows.append(row)
        if options.keep:
            with options.keep.open("a") as file:
                file.write(json.dumps(row) + "\n")
    if not rows:
        print("no positions", file=sys.stderr)
        return 2
    tell(rows, options.chance, timed=not options.tape, quiet=options.quiet)
    if todo and not options.tape:
        print(f"wall time of this run {time.perf_counter() - start:.0f} s with {options.jobs} workers")
    return 0


if __name__ == "__main__":
    sys.exit(main())
