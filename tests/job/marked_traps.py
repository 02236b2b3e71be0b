"""Documented traps as a file with marks: a chapter each for the side that goes wrong, the slip marked, a right move
beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import chess

from tests.report.sample_scans import traps

MARKS = ("?", "??", "!", "!?")
BEFORE = 2
"""So many plies before the slip a chapter begins."""
NAGS = {"?": 2, "??": 4, "!": 1, "!?": 5}


@dataclass(frozen=True)
class Marked:
    """A marked slip: which, how, and where."""

    trap: dict[str, Any]
    mark: str
    as_nag: bool

    @property
    def epd(self) -> str:
        return chess.Board(self.trap["fen_before"]).epd()

    @property
    def game(self) -> str:
        """What the author warns of stands as a variation with its refutation; what he praises is the main move."""
        board = chess.Board()
        words = []
        for ply, san in enumerate(self.trap["line"], BEFORE - len(self.trap["line"])):
            if ply == 0:
                start = board.fen()
            if ply >= 0:
                words.append(_numbered(board, san))
            board.push_san(san)
        sign = f" ${NAGS[self.mark]}" if self.as_nag else self.mark
        slip, right = (_numbered(board, self.trap[key]) for key in ("slip", "best_instead"))
        after = board.copy(stack=False)
        after.push_san(self.trap["slip"])
        answer = _numbered(after, self.trap["punish"][0])
        warns = self.mark in ("?", "??")
        main, aside = (right, f"{slip}{sign} {answer}") if warns else (f"{slip}{sign}", right)
        name = self.trap["name"].replace('"', "'")
        tags = f'[Event "{name}"]\n[Side "{self.trap["victim"]}"]\n[FEN "{start}"]\n'
        return f"{tags}\n{' '.join(words)} {main} ({aside}) *\n"


def _numbered(board: chess.Board, san: str) -> str:
    return f"{board.fullmove_number}.{'' if board.turn else '..'} {board.parse_san(san) and san}"


def marked_traps(count: int) -> list[Marked]:
    """So many traps, marked in turn, by sign and by NAG; those left out whose right move is not one in the table."""
    known = [trap for trap in traps() if trap["best_instead"] != trap["slip"]]
    return [Marked(trap, MARKS[n % 4], n % 8 >= 4) for n, trap in enumerate(known[:count])]
