"""What the scan's own process does and holds, with workers that cost nothing: made-up outcomes, as large as real ones.

    scripts/run bench_parent                    all named lines of the openings: time and memory of each part
    scripts/run bench_parent --lines 300
    scripts/run bench_parent --slips 1 --beyond 0 --out reports/made-up
    scripts/run bench_parent --positions 100000 --slips 1 --cluster 1 --once --out reports/big
                                                the beginnings of so many games as hold them, through a Dask cluster

Each position gets --slips slips (the standard preset's figure is about four) on its first legal moves, with a
refutation of six plies, and all its moves with chances. Reading, graph, store, walk, findings and report are the real
ones; nothing that a report says is true.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import chess

import trapscan.job.run
from scripts.lab.scan.running import DATA, game_lines, local_cluster, opening_lines, peak, resident, write_lines
from trapscan import report
from trapscan.contract import Instead, encode_in_pieces
from trapscan.explain import Explanation
from trapscan.job import Progress, scan
from trapscan.job.glances import GLANCES, Glance
from trapscan.job.positions import ExplainedSlip, Outcome, Task
from trapscan.job.tools import Tools
from trapscan.job.work import Finished
from trapscan.model import Evaluation, Examined, Line, Query, Slip
from trapscan.score import Score


def attempt(
    slips: int, answers: int, solve: Callable[..., object], tools: Tools, numbered: tuple[int, Task]
) -> Finished[Any]:
    """In the place of `job.work.attempt`: at once, and made up."""
    start, (number, task) = time.process_time(), numbered
    if solve is GLANCES.solve:
        chances = (0.5,) * len(tools.settings.levels)
        return Finished(number, Glance((), dict.fromkeys(task.position.prepared, chances)))
    outcome, fresh = made_up(tools, task, slips)
    return Finished(number, outcome, fresh=fresh[:answers], seconds=time.process_time() - start)


def made_up(tools: Tools, task: Task, slips: int) -> tuple[Outcome, tuple[tuple[Query, Evaluation], ...]]:
    board = task.position.board()
    legal = sorted(move.uci() for move in board.legal_moves)
    levels = tools.settings.levels
    if not legal:
        best = Line(Score(board.turn, cp=0), ())
        return Outcome(Examined(task.epd, best, (), (), {}, 0, 1, 0), (), (1,)), ()
    share = round(1 / len(legal), 6)
    chances = {move: tuple(round(share + 0.000_001 * n, 6) for n in range(len(levels))) for move in legal}
    seed = zlib.crc32(task.epd.encode())
    found = []
    for move in [move for move in legal if move not in task.position.prepared][:slips]:
        after = board.copy(stack=False)
        after.push_uci(move)
        reply: list[str] = []
        while len(reply) < 6 and any(after.legal_moves):
            reply.append(min(after.legal_moves, key=lambda move: move.uci()).uci())
            after.push_uci(reply[-1])
        slip = Slip(move, Score(board.turn, cp=-150 - seed % 1000), tuple(reply), (), 2000, 20_000)
        words = Explanation(
            "pawn", 1.0, 3, len(reply), ("fork",), "It looks natural. " * 4, "It loses a pawn. " * 5, False
        )
        san = board.san(chess.Move.from_uci(legal[-1]))
        instead = (Instead(san=san, uci=legal[-1], cp=20, answers="the threat on f7"),)
        found.append(ExplainedSlip(slip, words, instead, tuple(0.5 for _ in levels)))
    best = Line(Score(board.turn, cp=20), (legal[-1],))
    others = tuple((move, Score(board.turn, cp=-10 - n), 2000) for n, move in enumerate(legal[slips:][:14]))
    slipped = tuple(told.slip for told in found)
    asked = tuple(seed + 2**33 * n for n in range(40))
    outcome = Outcome(Examined(task.epd, best, slipped, others, chances, 16, 40, 500_000), tuple(found), asked)
    answer = Evaluation((Line(best.score, (legal[-1],) * 12),), 2000, 10)
    fresh = tuple((Query(task.epd, budget), answer) for budget in range(1000, 41_000, 1000))
    return outcome, fresh


class Watch(Progress):
    """Memory and processor time at every 500 positions."""

    def __init__(self) -> None:
        self.done = 0
        self.begun = time.process_time()

    def step(self, positions: int, slips: int) -> None:
        self.done += positions
        if self.done % 500 == 0:
            print(f"  {self.done} positions: {resident():.0f} MB, {time.process_time() - self.begun:.0f} s", flush=True)


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--openings", type=Path, default=DATA / "openings")
    ask.add_argument("--lines", type=int, help="so many lines at equal distances instead of all")
    ask.add_argument("--positions", type=int, help="of games instead of openings")
    ask.add_argument("--games", type=Path, default=DATA / "human_games.tsv.gz")
    ask.add_argument("--plies", type=int, default=30, help="of each game")
    ask.add_argument("--cluster", type=int, help="so many workers of a Dask cluster on this machine")
    ask.add_argument("--once", action="store_true", help="not again from the store")
    ask.add_argument("--slips", type=int, default=4)
    ask.add_argument("--answers", type=int, default=40, help="answers of the engine a position, for the store")
    ask.add_argument("--beyond", type=int)
    ask.add_argument("--out", type=Path)
    options = ask.parse_args()
    if options.positions:
        lines = game_lines(options.games, options.positions, options.plies)
    else:
        lines = opening_lines(options.openings, options.lines)
    trapscan.job.run.attempt = partial(attempt, options.slips, options.answers)  # type: ignore[attr-defined]
    with tempfile.TemporaryDirectory() as name, contextlib.ExitStack() as stack:
        folder = Path(name)
        pgn, store = folder / "lines.pgn", folder / "store.db"
        write_lines(lines, pgn)
        where: dict[str, Any] = {"jobs": 1}
        if options.cluster:
            where = {"cluster": stack.enter_context(local_cluster(folder / "scheduler.json", options.cluster))}
        for what in ("cold", "warm")[: 1 if options.once else 2]:
            print(f"{what}:", flush=True)
            start, wall, watch = time.process_time(), time.perf_counter(), Watch()
            result = None
            result = scan(
                [pgn],
                side="both",
                beyond=options.beyond,
                store=store,
                progress=watch,
                settings={"baits": False, "verify_nodes": 0},
                **where,
            )
            workers = 0.0 if options.cluster else result.stats.worker_seconds
            cpu, number = time.process_time() - start - workers, result.stats.positions.done
            print(
                f"{len(lines)} lines, {result.scan.input.positions} positions, {number} examined, "
                f"{len(result.scan.findings)} findings: {cpu:.1f} s of processor time ({1000 * cpu / number:.2f} ms a "
                f"position, the workers' {workers:.1f} s not counted), {time.perf_counter() - wall:.1f} s, "
                f"{resident():.0f} MB, {peak():.0f} MB at most",
                flush=True,
            )
        assert result is not None
        size = sum(file.stat().st_size for file in folder.glob("store.db*"))
        print(f"store {size / 1e6:.0f} MB, {size / number:,.0f} bytes a position")
        start = time.process_time()
        length = sum(len(piece) for piece in encode_in_pieces(result.scan))  # as write_scan does
        each = length / max(1, len(result.scan.findings))
        print(
            f"scan.json {length / 1e6:.0f} MB, {each:,.0f} bytes a finding, {time.process_time() - start:.1f} s, "
            f"{peak():.0f} MB at most"
        )
        if options.out is not None:
            start = time.process_time()
            report.write_scan(result.scan, options.out)
            report.write_reports(result.scan, options.out)
            print(f"report: {time.process_time() - start:.1f} s, {peak():.0f} MB at most")
            for file in sorted(options.out.iterdir()):
                print(f"  {file.name} {file.stat().st_size / 1e6:.1f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
