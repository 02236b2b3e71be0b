"""Material won, as `explain` names it, against a plain count over the line that was really played.

    scripts/run eval_material ../shared/data/opening_slips.tsv.gz --engine /usr/games/stockfish
    scripts/run eval_material FILE --engine PATH --rows 500 --nodes 20000 --rest --show

FILE is tab-separated, gzipped: fen_before, slip, refutation (UCI, the punisher first), ... The rows are those with the
lowest SHA-256 of "fen_before slip" in the block. The plain count looks only at the two boards, before the slip and
after the last move of the line: the difference in pieces. It agrees when it names the same gain. The engine gives the
victim's best line and the score after the slip (`--nodes` each). A played line that ends in the middle of an exchange
is first finished: the engine goes on until two moves in a row take nothing; both counts then take the whole line.
"""

from __future__ import annotations

import argparse
import gzip
import hashlib
import sys
from collections import Counter
from pathlib import Path

import chess
import chess.engine

from tests.independent.scores import settled_score
from trapscan.explain import explain_slip, needs_more
from trapscan.model import Line
from trapscan.score import Score

ROOT = Path(__file__).resolve().parents[3]

PIECES = {"queen": "q", "rook": "r", "minor": "nb", "pawn": "p"}
WORTH = {"queen": 9, "rook": 5, "minor": 3, "pawn": 1}


def count(board: chess.Board, side: chess.Color) -> Counter[str]:
    """Pieces of `side` minus those of the other, by kind, read off the FEN."""
    text = board.board_fen()
    result = Counter[str]()
    for name, letters in PIECES.items():
        for letter in letters:
            white = text.count(letter.upper()) - text.count(letter)
            result[name] += white if side else -white
    return result


def plain_gain(before: chess.Board, after: chess.Board, side: chess.Color) -> tuple[str, int]:
    """(name, pawns' worth) of the difference between two boards."""
    if after.is_checkmate():
        return "mate", 0
    first, last = count(before, side), count(after, side)
    won = {name: last[name] - first[name] for name in PIECES}
    worth = sum(WORTH[name] * number for name, number in won.items())
    if worth < 1:
        return "attack", worth
    if won["queen"] > 0 and worth >= 2:
        return "queen", worth
    if won["rook"] > 0 and won["minor"] == -1:
        return "exchange", worth
    if won["rook"] > 0 and won["minor"] >= 0 and worth >= 3:
        return "rook", worth
    if won["minor"] > 0:
        return "piece", worth
    return ("pawn" if worth < 3 else "piece" if worth < 5 else "rook" if worth < 9 else "queen"), worth


def rows(path: Path, block: str, wanted: int, rest: bool) -> list[tuple[str, str, list[str]]]:
    found = []
    with gzip.open(path, "rt", encoding="utf-8") as file:
        next(file)
        for text in file:
            fields = text.rstrip("\n").split("\t")
            if fields[6] == block:
                key = hashlib.sha256(f"{fields[0]} {fields[1]}".encode()).hexdigest()
                found.append((key, fields[0], fields[1], fields[2].split()))
    chosen = []
    for _, fen, slip, line in sorted(found):
        if not rest or not needs_more(chess.Board(fen), chess.Move.from_uci(slip), line):
            chosen.append((fen, slip, line))
        if len(chosen) == wanted:
            break
    return chosen


def ask(engine: chess.engine.SimpleEngine, board: chess.Board, nodes: int, side: chess.Color) -> Line:
    """The engine's best line, scored for `side`."""
    told, moves = settled_score(engine, board, chess.engine.Limit(nodes=nodes))
    score = told.pov(side)
    own = Score(side, mate=score.mate()) if score.is_mate() else Score(side, cp=score.score())
    return Line(own, tuple(move.uci() for move in moves))


def finish(engine: chess.engine.SimpleEngine, end: chess.Board, nodes: int) -> list[str]:
    """How the engine goes on from `end` until two moves in a row take nothing and no check is on: the rest of the
    exchange, and what a last fork picks up."""
    board, rest, quiet = end.copy(), [], 0
    for uci in ask(engine, board, nodes, board.turn).pv[:12]:
        move = chess.Move.from_uci(uci)
        quiet = 0 if board.is_capture(move) or board.is_check() or board.gives_check(move) else quiet + 1
        rest.append(uci)
        board.push(move)
        if quiet == 2:
            break
    return rest


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("--engine", required=True, help="a UCI engine that counts nodes")
    parser.add_argument("--block", default="sample", help="which block of the file")
    parser.add_argument("--rows", type=int, default=500)
    parser.add_argument(
        "--skip", type=int, default=0, help="leave out so many rows first: the first 500 were looked at"
    )
    parser.add_argument("--nodes", type=int, default=20_000)
    parser.add_argument("--rest", action="store_true", help="only rows whose played line comes to rest by itself")
    parser.add_argument("--show", action="store_true", help="list every row that disagrees")
    args = parser.parse_args()
    if not args.file.exists():
        print(f"{args.file} is missing: give the file of slips by path", file=sys.stderr)
        return 2

    agree = same_worth = unfinished = finished_agree = beyond = mates = mates_agree = 0
    chosen = rows(args.file, args.block, args.skip + args.rows, args.rest)[args.skip :]
    with chess.engine.SimpleEngine.popen_uci(args.engine) as engine:
        for fen, uci, line in chosen:
            board = chess.Board(fen)
            slip, victim = chess.Move.from_uci(uci), board.turn
            after, end = board.copy(), board.copy()
            after.push(slip)
            for move in (uci, *line):
                end.push_uci(move)
            short = needs_more(board, slip, line)
            if short and not end.is_game_over():
                more = finish(engine, end, args.nodes)
                line = [*line, *more]
                for move in more:
                    end.push_uci(move)
            best = ask(engine, board, args.nodes, victim)
            told = explain_slip(
                board,
                slip,
                best=best,
                slip_score=ask(engine, after, args.nodes, victim).score,
                refutation=tuple(line),
            )
            name, worth = plain_gain(board, end, not victim)
            # a mate that the played line did not reach is no disagreement about material
            same = told.gain == name or (told.gain == "mate" and not end.is_checkmate())
            agree += same
            mates += end.is_checkmate()
            mates_agree += same and end.is_checkmate()
            beyond += told.gain == "mate" and not end.is_checkmate()
            same_worth += told.gain == "mate" or abs(told.material - worth) < 0.5
            unfinished += short
            finished_agree += same and not short
            if args.show and not same:
                moves = [slip, *map(chess.Move.from_uci, line)]
                tail = " (finished by the engine)" if short else ""
                both = f"plain {name} {worth} | {told.gain} {told.material:g}{tail}"
                print(f"{fen} | {board.variation_san(moves)} | {both}")
                print(f"    best {best.score} {' '.join(best.pv[:8])}")
    total = len(chosen)
    print(f"{total} rows, engine at {args.nodes} nodes")
    print(f"same gain: {agree} ({agree / total:.1%}); same pawns' worth: {same_worth} ({same_worth / total:.1%})")
    share = (agree - mates_agree) / max(1, total - mates)
    print(f"lines that end in mate: {mates}; same gain among the {total - mates} others: {share:.1%}")
    print(f"counted as the same without comparing: {beyond} rows where a mate follows after the line's end")
    done = total - unfinished
    share = finished_agree / max(1, done)
    print(f"of these, lines that were at rest as played: {done}; same gain there: {finished_agree} ({share:.1%})")
    return 0


if __name__ == "__main__":
    sys.exit(main())
