"""Scan the documented opening traps and say how many are found with a right refutation.

The lines before each slip are written as one PGN repertoire and scanned as a user would scan it. A trap is found when
its slip is a finding (slips that are in the tree of another trap count as well), right when the refutation or one of
`also` is a documented punishing move.

    scripts/run check_traps                     all traps of tests/data/open_set.jsonl, standard preset
    scripts/run check_traps --engine stockfish --preset quick --traps FILE
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

import chess

from trapscan.job import scan

ROOT = Path(__file__).resolve().parents[3]


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--traps", type=Path, default=ROOT / "tests/data/open_set.jsonl")
    ask.add_argument("--engine")
    ask.add_argument("--preset", default="standard")
    ask.add_argument("--jobs", type=int)
    ask.add_argument("--goal", type=float, default=0.95, help="share that must be found with a right refutation")
    options = ask.parse_args()
    traps = [json.loads(line) for line in options.traps.read_text(encoding="utf-8").splitlines()]
    with tempfile.TemporaryDirectory() as folder:
        pgn = Path(folder) / "traps.pgn"
        pgn.write_text("\n\n".join(_game(trap["line"]) for trap in traps) + "\n", encoding="utf-8")
        result = scan(
            [pgn],
            side="both",
            engine=options.engine,
            preset=options.preset,
            jobs=options.jobs,
            beyond=0,
            store=Path(folder) / "store.db",
        )
    findings = {(_key(f.fen), f.slip.san.rstrip("+#")): f for f in result.scan.slips}
    found = right = 0
    for trap in traps:
        finding = findings.get((_key(trap["fen_before"]), trap["slip"].rstrip("+#")))
        found += finding is not None
        verdict = "not found"
        if finding is not None:
            answers = {finding.refutation.san, *finding.also} if finding.refutation else set()
            good = bool({a.rstrip("+#") for a in answers} & {p.rstrip("+#") for p in trap["punish"]})
            right += good
            verdict = "" if good else f"refutation {sorted(answers)} instead of {trap['punish']}"
        if verdict:
            print(f"{trap['id']:28} {trap['slip']:8} loss {trap['loss']:.3f}  {verdict}")
    share = right / len(traps)
    print(
        f"{len(traps)} traps: {found} found, {right} with a right refutation ({share:.1%}); {result.scan.engine.name}"
    )
    print(f"all findings: {len(result.scan.findings)}; {result.stats.text()}")
    return 0 if share >= options.goal else 1


def _game(line: list[str]) -> str:
    board, words = chess.Board(), []
    for san in line:
        if board.turn:
            words.append(f"{board.fullmove_number}.")
        words.append(san)
        board.push_san(san)
    return '[Event "Trap"]\n[Result "*"]\n\n' + " ".join(words) + " *"


def _key(fen: str) -> str:
    return chess.Board(fen).epd()


if __name__ == "__main__":
    sys.exit(main())
