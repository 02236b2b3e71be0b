"""Do gains survive the recaptures? Tried with no code of trapscan's.

    scripts/run check_recaptures reports/black reports/white --engine /usr/games/stockfish --sample 60

Of the findings of these reports by which a man is won (pawn, piece, exchange, rook, queen), so many (seeded): every
legal recapture of what takes something in the refutation, up to where the gain is in hand, is played and searched with
--nodes. The gain holds if then, where the engine's line comes to rest, the punisher is ahead of the rest of the
victim's best line by the least that bears the gain's name, or the victim stands a pawn worse than the report says, or
is mated. Exit code 1 when less than 97 % hold.
"""

from __future__ import annotations

import argparse
import json
import random
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import chess
import chess.engine

from tests.independent.rules import at_rest, balance

LEAST = {"pawn": 1, "piece": 1, "exchange": 1, "rook": 3, "queen": 2}
"""Pawns by which the punisher is ahead at least, by the gain's name: a piece for two pawns is one."""

HORIZON, WORSE, GOAL = 12, 100, 0.97


def rest(board: chess.Board, line: list[chess.Move], side: chess.Color) -> int:
    """The balance where a line last comes to rest; where it never does, once the captures are played out."""
    here, told = board.copy(stack=False), at_rest(board, side)
    for move in line[:HORIZON]:
        here.push(move)
        if not here.is_check() and at_rest(here, side) == balance(here, side):
            told = balance(here, side)
    return told


def recaptures(finding: dict[str, Any]) -> Iterator[chess.Board]:
    """The boards after each recapture."""
    board = chess.Board(finding["fen"])
    board.push_uci(finding["slip"]["uci"])
    moves = finding["refutation"]["line"] or [finding["refutation"]["san"]]
    for ply, san in enumerate(moves[: finding["ply"]]):
        move = board.parse_san(san)
        takes = board.is_capture(move)
        board.push(move)
        if ply % 2 or not takes:
            continue
        following = moves[ply + 1] if ply + 1 < len(moves) else ""
        for answer in board.generate_legal_captures(to_mask=chess.BB_SQUARES[move.to_square]):
            if board.san(answer) != following:
                after = board.copy(stack=False)
                after.push(answer)
                yield after


def main() -> int:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("reports", type=Path, nargs="+")
    ask.add_argument("--engine", required=True)
    ask.add_argument("--nodes", type=int, default=200_000)
    ask.add_argument("--sample", type=int, default=100)
    ask.add_argument("--seed", type=int, default=0)
    options = ask.parse_args()
    found = [
        finding
        for report in options.reports
        for finding in json.loads((report / "scan.json").read_text(encoding="utf-8"))["findings"]
        if finding["record"] == "slip" and finding["gain"] in LEAST and finding["refutation"]
    ]
    chosen = random.Random(options.seed).sample(found, min(options.sample, len(found)))
    held = tried = 0
    with chess.engine.SimpleEngine.popen_uci(options.engine) as engine:
        limit = chess.engine.Limit(nodes=options.nodes)
        for finding in chosen:
            boards = list(recaptures(finding))
            before = chess.Board(finding["fen"])
            victim, holds = before.turn, True
            level = 0
            if boards:
                level = rest(before, engine.analyse(before, limit, game=object()).get("pv", []), not victim)
            for board in boards:
                tried += 1
                if board.is_game_over():
                    continue
                info = engine.analyse(board, limit, game=object())
                score = info["score"].pov(victim)
                told = finding["cp_slip"]
                worse = score.is_mate() or not isinstance(told, int) or (score.score() or 0) <= told - WORSE
                ahead = rest(board, info.get("pv", []), not victim) - level
                if ahead < LEAST[finding["gain"]] and not worse:
                    holds = False
                    print(
                        f"{finding['id']} {finding['fen']} {finding['slip']['san']} [{finding['gain']}]: "
                        f"after {board.fen()} ahead by {ahead}, {score}; {finding['why_it_fails']}"
                    )
            held += holds
    share = held / len(chosen)
    print(f"{held} of {len(chosen)} gains hold ({share:.1%}); {tried} recaptures tried at {options.nodes} nodes")
    return 0 if share >= GOAL else 1


if __name__ == "__main__":
    sys.exit(main())
