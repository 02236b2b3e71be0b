"""Slips that people played: is the point named?

    scripts/run check_points ../shared/data/opening_slips.tsv.gz --engine /usr/games/stockfish --rows 300

The file is that of check_slips; the rows are those of the block with the lowest SHA-256 of "fen_before slip", whose
slip loses --least pawns or more by the engine. The point is named where the finding has a tactical motif, or where
something is won and the sentence says why (nothing guards it, it is outnumbered, the guard has gone, or why it may not
be taken back). Every false claim is listed, and with --show each row whose point is not named.
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import re
import sys
from collections import Counter
from pathlib import Path

import chess

from scripts.lab.explain.telling import Told, teller
from tests.independent.sentences import false_claims
from trapscan.explain import tactical

ROOT = Path(__file__).resolve().parents[3]

REASON = re.compile(
    r"since |nothing guards|hanging|attacked \w+ and guarded|gives up the guard|opens the line|cuts .* off|takes back"
    r"|a \w+ takes a \w+|does nothing for"
)


def rows(path: Path, block: str) -> list[tuple[str, str]]:
    found = []
    with gzip.open(path, "rt", encoding="utf-8") as file:
        next(file)
        for text in file:
            fields = text.rstrip("\n").split("\t")
            if fields[6] == block:
                key = hashlib.sha256(f"{fields[0]} {fields[1]}".encode()).hexdigest()
                found.append((key, fields[0], fields[1]))
    return [(fen, slip) for _, fen, slip in sorted(found)]


def named(found: Told) -> str:
    """How the point is named: 'motif', 'reason', or not at all."""
    told = found.told
    if told.gain == "mate" or tactical(told.motifs):
        return "motif"
    return "reason" if told.gain != "attack" and REASON.search(told.why_it_fails) else ""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("--engine", required=True)
    parser.add_argument("--rows", type=int, default=300)
    parser.add_argument("--skip", type=int, default=0)
    parser.add_argument("--block", default="sample")
    parser.add_argument("--least", type=float, default=1.0)
    parser.add_argument("--nodes", type=int, default=30_000)
    parser.add_argument("--tried", type=int, default=10_000)
    parser.add_argument("--store", type=Path, default=Path("/tmp/check_points.sqlite"))
    parser.add_argument("--show", action="store_true")
    options = parser.parse_args()
    counted, gains, false, words = Counter[str](), Counter[str](), 0, []
    with teller(options.engine, options.store, nodes=options.nodes, tried=options.tried) as asked:
        for fen, uci in rows(options.file, options.block)[options.skip : options.skip + options.rows]:
            board = chess.Board(fen)
            found = asked.tell(board, chess.Move.from_uci(uci))
            if (found.best.score.plain - found.score.plain) / 100 < options.least:
                counted["not lost"] += 1
                continue
            how = named(found)
            counted[how or "not named"] += 1
            gains[found.told.gain] += 1
            words.append(len(found.told.why_it_fails.split()))
            if options.show and not how:
                print(f"{fen} | {board.san(found.slip)} {found.sans(found.line)} | {found.told.gain}", end=" ")
                print(f"{', '.join(found.told.motifs)} | {found.told.why_it_fails}", flush=True)
            for sentence in (found.told.why_tempting, found.told.why_it_fails):
                wrong = false_claims(board, found.slip, found.line, sentence, found.best.pv)
                false += bool(wrong)
                if wrong:
                    print(f"FALSE {fen} {board.san(found.slip)} | {sentence} | {'; '.join(wrong)}", flush=True)
    lost = counted["motif"] + counted["reason"] + counted["not named"]
    right = counted["motif"] + counted["reason"]
    print(f"{lost} slips that lose {options.least:g} or more ({counted['not lost']} do not)")
    print(
        f"the point named: {right} ({right / max(1, lost):.1%}): "
        f"a motif {counted['motif']}, a reason {counted['reason']}"
    )
    print(f"gains: {', '.join(f'{gain} {count}' for gain, count in gains.most_common())}")
    print(f"sentences with a false claim: {false} of {2 * lost}; {sum(words) / max(1, len(words)):.1f} words each")
    return 0 if right / max(1, lost) >= 0.9 and not false else 1


if __name__ == "__main__":
    sys.exit(main())
