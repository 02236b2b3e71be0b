"""Classic baits: only the position before the bait is given; is the bait found, with the slip and its refutation?

Of tests/data/open_set.jsonl those traps count in which the punisher's last move before the slip is itself the point: it
sets the trick, where a plain move would not (BAITS, a judgement). The position before that move, and nothing else, is
scanned with --baits at the level; what the bait costs at best play is measured beside it, with 400,000 nodes before and
after. Another refutation than the documented one counts where it keeps the slip a slip by as many nodes. A bait that is
not found is examined all the same, to say whether it pays by the chances of the model, and at which levels.

    scripts/run check_baits                          standard preset, level 1200, the best engine found
    scripts/run check_baits --engine stockfish --level 1000 --price 0.06
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import chess

from trapscan import engines, settings
from trapscan.chance import expected, load_model
from trapscan.contract import BaitFinding
from trapscan.job import scan
from trapscan.job.bait_terms import terms
from trapscan.job.baits import BaitSearch, BaitTask
from trapscan.job.positions import Task
from trapscan.job.work import Recorder
from trapscan.model import Position, Query
from trapscan.score import Score, loss
from trapscan.settings import Settings

ROOT = Path(__file__).resolve().parents[3]

BAITS = {
    "baltic-qxd5": "...Rb8 leaves d5 to the queen, for the check on b4",
    "benko-nxe4": "5.e4 leaves the e-pawn to the knight, for the queen on e2",
    "berlin-nxb5": "6.Nxe5 leaves the bishop on b5, for the discovered check",
    "caro-smothered": "5.Qe2 blocks its own bishop, for the mate on d6",
    "dutch-bg5-rh6": "Bd3 leaves the bishop to be caught, for the check on h5",
    "englund-bc3": "...Qxb2 goes after a pawn, for the pin on b4",
    "french-adv-nxd4": "7.cxd4 leaves d4 to the knight, for the check on b5 (8.Nxd4 Qxd4 9.Bb5+)",
    "halosar": "O-O-O walks into the pin on g4, for the fork on b5",
    "italian-bg4-bh5": "5.h3 asks the bishop, for the sacrifice on e5",
    "lasker-albin": "...dxe3 leaves the bishop on b4, for the promotion",
    "legal-mate": "6.Nxe5 leaves the queen, for the mate",
    "magnus-smith": "7.e5 leaves the pawn, for the sacrifice on f7",
    "morra-dxe5": "7.e5 leaves the pawn, for the queen on d8",
    "najdorf-poisoned-a3": "8.a3 leaves b2 to the queen, to catch it",
    "nd4-shilling": "3...Nd4 leaves e5, for the queen on g5",
    "noahs-ark": "...exd4 leaves d4 to the queen, for the bishop on b3",
    "petroff-bf5": "5.Nc3 attacks the knight, for the pin on the e-file",
    "pseudo-tromp-dxe5": "...e5 leaves the pawn, for the check on b4",
    "rubinstein": "Bf4 leaves e4 and d5 as they are, for the knight on d5",
    "siberian": "...Ng4 threatens h2, for the knight on d4",
    "sicilian-c3-nxe4": "5.Be2 leaves e4, for the check on a4",
    "steinitz-ruy-mate": "Nd5 leaves d4, for the mate",
    "trompowsky-c6-e3": "2...c6 opens the way to a5, for the bishop on g5",
    "vienna-ng5": "Ng5 leaves the knight to the queen, for the check on d5",
}
"""Trap -> why the last move is the point."""


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--traps", type=Path, default=ROOT / "tests/data/open_set.jsonl")
    ask.add_argument("--only", nargs="*", default=[], help="ids of traps")
    ask.add_argument("--engine")
    ask.add_argument("--preset", default="standard")
    ask.add_argument("--level", type=int, default=1200)
    ask.add_argument("--price", type=float, help="limit of the price (default: the preset's)")
    ask.add_argument("--deep", type=int, default=400_000, help="nodes to measure a price with, before and after")
    ask.add_argument("--store", type=Path)
    options = ask.parse_args()
    traps = [json.loads(line) for line in options.traps.read_text(encoding="utf-8").splitlines()]
    traps = [trap for trap in traps if trap["id"] in (options.only or BAITS)]
    limit = options.price if options.price is not None else Settings().bait_price
    spec = engines.choose(options.engine)
    rows: list[Row] = []
    nodes, positions, baits, name = 0, 0, 0, ""
    with tempfile.TemporaryDirectory() as folder:
        for trap in traps:
            file = Path(folder) / "before.epd"
            file.write_text(_before(trap["line"]) + "\n", encoding="utf-8")
            result = scan(
                [file],
                side="both",
                engine=options.engine,
                preset=options.preset,
                level=options.level,
                settings={} if options.price is None else {"bait_price": options.price},
                jobs=1,
                beyond=0,
                baits=True,
                store=options.store or Path(folder) / "store.db",
            )
            found = {(_epd(f.fen), f.bait.uci): f for f in result.scan.baits}
            with engines.Engine(spec, engines.probe(spec), hash_mb=16) as engine:
                rows.append(_row(trap, found, engine, options.deep, options.level, limit))
                if not rows[-1].found:
                    rows[-1] = _examined(trap, engine, options, rows[-1])
            nodes += result.scan.counters.engine_nodes
            positions += result.scan.counters.positions
            baits += len(found)
            name = result.scan.engine.name
    within = [row for row in rows if row.within]
    share = sum(row.found for row in within)
    found_in_all = sum(row.found for row in rows)
    print(
        f"{len(rows)} classic baits at {options.level}: {found_in_all} found with slip and refutation; "
        f"{len(within)} cost at most {limit:g}, of these {share} found, and {sum(row.idle for row in within)} more do "
        f"not pay by the chances of the model; {name}"
    )
    print(f"all baits found: {baits}; {positions} positions, {nodes:,} engine nodes")
    return 0 if share + sum(row.idle for row in within) == len(within) else 1


@dataclass(frozen=True)
class Row:
    """A bait: its price is within the limit; it was found with slip and refutation; it does not pay at the level."""

    within: bool
    found: bool
    idle: bool = False


def _row(
    trap: dict[str, Any],
    found: dict[tuple[str, str], BaitFinding],
    engine: engines.Engine,
    deep: int,
    level: int,
    limit: float,
) -> Row:
    """Prints a line."""
    line, slip, punish = list(trap["line"]), str(trap["slip"]), list(trap["punish"])
    board = chess.Board(_before(line))
    bait = board.parse_san(line[-1])
    before = engine.evaluate(Query(board.epd(), deep)).best.score
    after = board.copy(stack=False)
    after.push(bait)
    score: Score = engine.evaluate(Query(after.epd(), deep)).best.score.of(board.turn)
    price = max(0.0, expected(before, level) - expected(score, level))
    finding = found.get((board.epd(), bait.uci()))
    verdict, good = "not found", False
    if finding is not None:
        replies = {reply.slip.san.rstrip("+#"): reply for reply in finding.replies}
        reply = replies.get(slip.rstrip("+#"))
        if reply is None:
            verdict = f"found, but not {slip}: {sorted(replies)}"
        elif reply.refutation.san.rstrip("+#") in {p.rstrip("+#") for p in punish}:
            verdict, good = "found", True
        else:
            after.push_uci(reply.slip.uci)
            after.push_uci(reply.refutation.uci)
            kept = loss(
                score.of(not board.turn), engine.evaluate(Query(after.epd(), deep)).best.score.of(not board.turn)
            )
            good = kept >= Settings().threshold
            verdict = f"found, refutation {reply.refutation.san} ({kept:.2f}) instead of {punish[0]}"
        details = finding.bait_details
        verdict += f"; net by level {_points(details.net)}{', firm' if details.firm else ''}"
    print(
        f"{trap['id']!s:22} {line[-1]:7} {slip:7} price {price:.3f} {'within' if price <= limit else '':6}  {verdict}",
        flush=True,
    )
    return Row(price <= limit, good)


def _examined(trap: dict[str, Any], engine: engines.Engine, options: argparse.Namespace, row: Row) -> Row:
    """Prints what the bait is worth when it is examined without being screened."""
    chosen = settings.load(options.preset, {"level": options.level})
    start = _before(trap["line"])
    board = chess.Board(start)
    move = board.parse_san(trap["line"][-1]).uci()
    recorder = Recorder(engine.multipv, engine.steady, lambda query: None, engine.evaluate)
    position = Position(board.epd(), start, (), 1)
    best = engine.evaluate(Query(board.epd(), chosen.best_nodes)).best
    looking = BaitSearch(BaitTask(Task(position), best, None, None), recorder, load_model(), chosen)
    measure = looking.measure()
    looking.search(measure)
    screened = move in looking.tried
    looking.settle(measure, looking.examine(move))
    tried = looking.tried[move]
    found = terms(looking.outcome(measure), tried, chosen)
    after = tried.outcome.examined
    board.push_uci(move)
    slip = board.parse_san(trap["slip"]).uci()
    margin = chosen.bait_margin
    pays = [
        level
        for level, slips, net in zip(chosen.levels, found.ours.slips, found.balance.net, strict=True)
        if min(slips, net) >= margin
    ]
    print(
        f"{'':22} examined: slips bring {_points(found.ours.slips)}, net {_points(found.balance.net)}, price "
        f"{_points(found.prices)}; {trap['slip']} is played by {_points(after.chances[slip])}; "
        f"{'' if screened else 'lost when screened; '}"
        f"brings {margin:g} at levels {pays or 'none'}",
        flush=True,
    )
    return replace(row, idle=not found.brings_enough)


def _points(values: Sequence[float]) -> str:
    return " ".join(f"{100 * value:+.0f}" for value in values)


def _before(line: list[str]) -> str:
    """The position before the last move of the line, as a FEN."""
    board = chess.Board()
    for san in line[:-1]:
        board.push_san(san)
    return board.fen()


def _epd(fen: str) -> str:
    return chess.Board(fen).epd()


if __name__ == "__main__":
    sys.exit(main())
