"""What the scan's own process does and holds, with workers that cost nothing: made-up outcomes, as large as real ones.

    scripts/run bench_parent                    all named lines of the openings: time and memory of each part
    scripts/run bench_parent --lines 300
    scripts/run bench_parent --slips 1 --beyond 0 --out reports/made-up

Each position gets --slips slips (the standard preset's figure is about four) on its first legal moves, with a
refutation of six plies, and all its moves with chances. Reading, graph, store, walk, findings and report are the real
ones; nothing that a report says is true.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from pathlib import Path

import trapscan.job.run
from trapscan import report
from trapscan.contract import Instead, encode_in_pieces
from trapscan.explain import Explanation
from trapscan.job import Progress, scan
from trapscan.job.positions import ExplainedSlip, Outcome, Task
from trapscan.job.tools import Tools
from trapscan.job.work import Finished
from trapscan.model import Evaluation, Examined, Line, Query, Slip
from trapscan.score import Score

ROOT = Path(__file__).resolve().parents[3]


def made_up(tools: Tools, numbered: tuple[int, Task], slips: int) -> Finished[Outcome]:
    number, task = numbered
    board = task.position.board()
    legal = sorted(move.uci() for move in board.legal_moves)
    levels = tools.settings.levels
    if not legal:
        best = Line(Score(board.turn, cp=0), ())
        return Finished(number, Outcome(Examined(task.epd, best, (), (), {}, 0, 1, 0), (), (1,)))
    share = round(1 / len(legal), 6)
    chances = {move: tuple(round(share + 0.000_001 * n, 6) for n in range(len(levels))) for move in legal}
    loss = hash(task.epd) % 1000
    found = []
    for move in [move for move in legal if move not in task.position.prepared][:slips]:
        after = board.copy(stack=False)
        after.push_uci(move)
        reply: list[str] = []
        while len(reply) < 6 and any(after.legal_moves):
            reply.append(min(after.legal_moves, key=lambda move: move.uci()).uci())
            after.push_uci(reply[-1])
        slip = Slip(move, Score(board.turn, cp=-150 - loss), tuple(reply), (), 2000, 20_000)
        words = Explanation(
            "pawn", 1.0, 3, len(reply), ("fork",), "It looks natural. " * 4, "It loses a pawn. " * 5, False
        )
        instead = (Instead(san="a", uci=legal[-1], cp=20, answers="the threat on f7"),)
        found.append(ExplainedSlip(slip, words, instead, tuple(0.5 for _ in levels)))
    best = Line(Score(board.turn, cp=20), (legal[-1],))
    others = tuple((move, Score(board.turn, cp=-10 - n), 2000) for n, move in enumerate(legal[slips:][:14]))
    slipped = tuple(told.slip for told in found)
    asked = tuple(hash((task.epd, n)) for n in range(40))
    outcome = Outcome(Examined(task.epd, best, slipped, others, chances, 16, 40, 500_000), tuple(found), asked)
    answer = Evaluation((Line(best.score, (legal[-1],) * 12),), 2000, 10)
    fresh = tuple((Query(task.epd, budget), answer) for budget in range(1000, 41_000, 1000))
    return Finished(number, outcome, fresh=fresh)


class Watch(Progress):
    """Memory and processor time at every 500 positions."""

    def __init__(self) -> None:
        self.done = 0
        self.begun = time.process_time()

    def step(self, positions: int, slips: int) -> None:
        self.done += positions
        if self.done % 500 == 0:
            print(f"  {self.done} positions: {now():.0f} MB, {time.process_time() - self.begun:.0f} s", flush=True)


def now() -> float:
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6
    except OSError:
        return 0.0


def peak() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024) / 1e6


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--openings", type=Path, default=ROOT.parent / "shared/data/openings")
    ask.add_argument("--lines", type=int, help="so many lines at equal distances instead of all")
    ask.add_argument("--slips", type=int, default=4)
    ask.add_argument("--beyond", type=int)
    ask.add_argument("--out", type=Path)
    options = ask.parse_args()
    tables = sorted(options.openings.glob("*.tsv"))
    if not tables:
        print(f"no tables in {options.openings}; name the folder with --openings", file=sys.stderr)
        return 2
    lines = [row.split("\t")[2] for table in tables for row in table.read_text(encoding="utf-8").splitlines()[1:]]
    if options.lines:
        lines = [lines[i * len(lines) // options.lines] for i in range(options.lines)]
    spent: list[float] = []

    def attempt(solve: object, tools: Tools, numbered: tuple[int, Task]) -> Finished[Outcome]:
        start = time.process_time()
        finished = made_up(tools, numbered, options.slips)
        spent.append(time.process_time() - start)
        return finished

    trapscan.job.run.attempt = attempt  # type: ignore[assignment, attr-defined]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        pgn, store = folder / "openings.pgn", folder / "store.db"
        pgn.write_text("".join(f'[Event "Line"]\n[Result "*"]\n\n{line} *\n\n' for line in lines), encoding="utf-8")
        for what in ("cold", "warm"):
            print(f"{what}:", flush=True)
            spent.clear()
            start, wall, watch = time.process_time(), time.perf_counter(), Watch()
            result = None
            result = scan([pgn], side="both", jobs=1, beyond=options.beyond, store=store, progress=watch, baits=False)
            cpu, number = time.process_time() - start - sum(spent), result.stats.positions.done
            print(
                f"{len(lines)} lines, {result.scan.input.positions} positions, {number} examined, "
                f"{len(result.scan.findings)} findings: {cpu:.1f} s of processor time ({1000 * cpu / number:.2f} ms a "
                f"position, the workers' {sum(spent):.1f} s not counted), {time.perf_counter() - wall:.1f} s, "
                f"{now():.0f} MB, {peak():.0f} MB at most",
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
