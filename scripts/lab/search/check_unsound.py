"""Plant bad moves in a repertoire: are all of them reported as unsound, and before anything else?

Slips that people really played (opening_slips.tsv.gz, open data that is not part of the repository) of one side, at
equal distances through the table, are written as one-move games of a repertoire for that side, between the sound lines
of a file of the demo. Not every row of the table is a slip by our measure (some are forced, some lose what was lost
before): planted are the first that lose at least 0.12 when the position and the move are searched with 400,000 nodes,
by an engine that may be another than the scan's. All of them must be reported as unsound, and the report must begin
with them, in every form that has an order.

    scripts/run check_unsound                              20 slips of Black, standard preset, the best engine found
    scripts/run check_unsound --slips FILE --count 40 --preset quick --judge ethereal-chess
"""

from __future__ import annotations

import argparse
import csv
import gzip
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

import chess

from trapscan import engines, report
from trapscan.contract import Finding
from trapscan.job import scan
from trapscan.model import Query
from trapscan.score import Score, loss

DEEP = 400_000
"""Nodes that judge a row, before the move and after it."""

LOSS = 0.12
"""What a planted move loses at least, by that judgement: the threshold of a slip is 0.10."""

ROOT = Path(__file__).resolve().parents[3]


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--slips", type=Path, default=ROOT.parent / "shared/data/opening_slips.tsv.gz")
    ask.add_argument("--lines", type=Path, default=ROOT / "trapscan/demo/otter_quay_black.pgn")
    ask.add_argument("--game", type=int, default=3, help="which game of the sound lines")
    ask.add_argument("--count", type=int, default=20)
    ask.add_argument("--engine")
    ask.add_argument("--judge", help="the engine that says what a row loses (default: the scan's)")
    ask.add_argument("--preset", default="standard")
    ask.add_argument("--jobs", type=int)
    ask.add_argument("--candidates", type=int, help="examine fewer moves a position; the tree's own always are")
    ask.add_argument("--store", type=Path)
    options = ask.parse_args()
    if not options.slips.is_file():
        print(f"no table of slips at {options.slips}; name it with --slips", file=sys.stderr)
        return 2
    with gzip.open(options.slips, "rt", encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file, delimiter="\t") if row["fen_before"].split()[1] == "b"]
    planted, judged = _plant(rows, options.count, options.judge or options.engine)
    if len(planted) < options.count:
        print(f"only {len(planted)} of {judged} rows lose {LOSS:g}", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as folder:
        pgn = Path(folder) / "repertoire.pgn"
        pgn.write_text(
            "\n\n".join([_sound(options.lines, options.game), *(_game(row) for row, _ in planted)]) + "\n",
            encoding="utf-8",
        )
        result = scan(
            [pgn],
            side="black",
            engine=options.engine,
            preset=options.preset,
            jobs=options.jobs,
            beyond=0,
            settings={"max_candidates": options.candidates},
            store=options.store or Path(folder) / "store.db",
        )
        out = Path(folder) / "report"
        report.write_scan(result.scan, out)
        report.write_reports(result.scan, out)
        in_csv = [row["kind"] for row in csv.DictReader((out / "findings.csv").open(encoding="utf-8-sig", newline=""))]
        markdown = (out / "report.md").read_text(encoding="utf-8")
    findings = result.scan.findings
    unsound = {(chess.Board(f.fen).epd(), f.move.uci): i for i, f in enumerate(findings) if f.kind == "unsound"}
    reported = 0
    for row, lost in planted:
        board = chess.Board(row["fen_before"])
        place = unsound.get((board.epd(), row["slip"]))
        reported += place is not None
        verdict = f"loses {lost:.2f} by {DEEP:,} nodes; {_verdict(findings, place)}"
        print(f"{board.san(chess.Move.from_uci(row['slip'])):7} {row['block']:7} {verdict}  {board.fen()}")
    kinds = [finding.kind for finding in findings]
    first = (
        all(order == sorted(order, key=lambda kind: kind != "unsound") for order in (kinds, in_csv))
        and markdown.find("## Repair first") == markdown.find("\n## ") + 1
    )
    print(
        f"{reported} of {len(planted)} planted moves reported as unsound ({judged} rows judged, the others lose less "
        f"than {LOSS:g}); unsound moves come first: {first}"
    )
    print(
        f"other findings: {len(findings) - reported}, of these unsound {len(unsound) - reported}; {result.stats.text()}"
    )
    return 0 if reported == len(planted) and first else 1


def _plant(rows: list[dict[str, str]], count: int, named: str | None) -> tuple[list[tuple[dict[str, str], float]], int]:
    """The first `count` of twice as many rows, at equal distances, that lose enough, with what they lose; how many were
    judged."""
    spec, planted, judged = engines.choose(named), [], 0
    with engines.Engine(spec, engines.probe(spec), hash_mb=64) as engine:
        for i in range(2 * count):
            row = rows[i * len(rows) // (2 * count)]
            board, judged = chess.Board(row["fen_before"]), judged + 1
            before = engine.evaluate(Query(board.epd(), DEEP)).best.score
            mover = board.turn
            board.push_uci(row["slip"])
            lost = loss(before, engine.evaluate(Query(board.epd(), DEEP)).best.score.of(mover))
            if lost >= LOSS:
                planted.append((row, lost))
            if len(planted) == count:
                break
    return planted, judged


def _verdict(findings: Sequence[Finding], place: int | None) -> str:
    if place is None:
        return "not reported"
    finding = findings[place]
    best, slip = (
        Score(chess.BLACK, cp=v) if isinstance(v, int) else Score(chess.BLACK, mate=v["mate"])
        for v in (finding.cp_best, finding.cp_slip)
    )
    return f"place {place + 1:3}, loses {loss(best, slip):.2f}"


def _sound(path: Path, number: int) -> str:
    """One game of a PGN file, as text."""
    games = path.read_text(encoding="utf-8").split("[Event ")[1:]
    return "[Event " + games[number - 1].strip()


def _game(row: dict[str, str]) -> str:
    """The slip as a repertoire of one move."""
    board = chess.Board(row["fen_before"])
    move = board.san(chess.Move.from_uci(row["slip"]))
    return f'[Event "Planted"]\n[SetUp "1"]\n[FEN "{board.fen()}"]\n[Result "*"]\n\n{board.fullmove_number}... {move} *'


if __name__ == "__main__":
    sys.exit(main())
