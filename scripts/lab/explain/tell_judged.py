"""Judged explanations anew: old sentence, new sentence and the coach's words side by side, to read and to mark.

    scripts/run tell_judged JUDGED.jsonl --engine /usr/games/stockfish --out told.md

The file has a JSON object a line: fen, victim, line, slip (SAN), refutation (SAN), cp_best, cp_slip, gain, material,
motifs, why_tempting, why_it_fails, judged, coach. Each slip is searched anew (--nodes for the position and after the
slip, --tried for each answer tried); the refutation begins as the file says. The sentences also go to a JSON-lines file
beside --out, for scripts/run wording. Nothing of it is meant to be committed.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import chess

from scripts.lab.explain.telling import teller
from tests.independent.sentences import false_claims

ROOT = Path(__file__).resolve().parents[3]


def board_of(row: dict[str, str]) -> chess.Board:
    """The position, with the moves that led there where they are known."""
    board = chess.Board()
    for san in row["line"].split():
        board.push_san(san)
    given = chess.Board(row["fen"])
    return board if board.epd() == given.epd() else given


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("--engine", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--nodes", type=int, default=100_000)
    parser.add_argument("--tried", type=int, default=20_000)
    parser.add_argument("--store", type=Path, default=Path("/tmp/tell_judged.sqlite"))
    parser.add_argument("--rows", help="first:last, counted from 0")
    options = parser.parse_args()
    rows = [json.loads(line) for line in options.file.read_text(encoding="utf-8").splitlines()]
    start, _, stop = (options.rows or ":").partition(":")
    texts, sentences, false = [], [], 0
    with teller(options.engine, options.store, nodes=options.nodes, tried=options.tried) as asked:
        for number, row in list(enumerate(rows))[int(start or 0) : int(stop) if stop else None]:
            board = board_of(row)
            slip = board.parse_san(row["slip"])
            first = board.copy()
            first.push(slip)
            found = asked.tell(board, slip, (first.parse_san(row["refutation"].split()[0]).uci(),))
            told = found.told
            wrong = [
                text
                for sentence in (told.why_tempting, told.why_it_fails)
                for text in false_claims(board, slip, found.line, sentence, found.best.pv)
            ]
            false += bool(wrong)
            judged = row["judged"]
            texts.append(
                f"## {number}. {row['victim']}: {row['slip']}? {found.sans(found.line)}\n\n{row['fen']} "
                f"({row['cp_best']} to {row['cp_slip']}); likely: {found.sans(found.likely) or 'the same'}"
                f"\n\n- was ({judged['fails']}): {row['why_it_fails']}\n- **is**: {told.why_it_fails}\n"
                f"- coach: {row['coach']}\n- gain was {row['gain']} {row['material']:g} ({judged['gain']}), "
                f"is {told.gain} {told.material:g}\n- tempts was ({judged['tempts']}): {row['why_tempting']}\n"
                f"- tempts is: {told.why_tempting}\n- motifs were ({judged['motifs']}): {', '.join(row['motifs'])}\n"
                f"- motifs are: {', '.join(told.motifs)}\n" + "".join(f"- FALSE: {text}\n" for text in wrong)
            )
            sentences.append({"why_it_fails": told.why_it_fails, "why_tempting": told.why_tempting})
    options.out.write_text("\n".join(texts), encoding="utf-8")
    lines = "".join(json.dumps(each) + "\n" for each in sentences)
    options.out.with_suffix(".jsonl").write_text(lines, encoding="utf-8")
    print(f"{len(texts)} slips told in {options.out}; {false} with a false claim")
    return 0


if __name__ == "__main__":
    sys.exit(main())
