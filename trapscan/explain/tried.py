"""Lines that were tried beside the main one: what the victim might answer, and what the punisher would do if it passed.

An engine's line shows the best defence, which often hides why the others fail. These are plain data: who asks the
engine is `trapscan.job.lines`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import chess

from trapscan.explain.play import Play
from trapscan.model import Line
from trapscan.score import Score

LIKELY, LIKELIEST = 0.12, 3
"""Defences tried: of this chance at the chosen level at least, so many at most."""


DEEPEST = 5
"""Recaptures are tried up to this ply of the refutation."""


@dataclass(frozen=True, slots=True)
class Reply:
    """One answer of the victim's and what punishes it. `plies` of the refutation come before it (odd: it answers the
    move with that number); `move` in UCI; `line` (UCI) begins with the punisher's best answer; `score`: the victim's,
    after `move`; `chance`: at the chosen level, before an engine looks."""

    plies: int
    move: str
    line: tuple[str, ...]
    score: Score
    chance: float

    def play(self, refutation: Play) -> Play:
        """The whole line from the refutation's first move on."""
        return Play.along(refutation.boards[0], [*refutation.moves[: self.plies], self.move, *self.line])


@dataclass(frozen=True, slots=True)
class Tried:
    """What was tried about one slip. `threat`: what the punisher would do after its first move if the victim passed
    (the punisher's view), None where the victim may not pass, being in check. `likely`: the refutation against the
    replies that people would play (UCI, its first move on), empty where that is the main line."""

    replies: tuple[Reply, ...] = ()
    threat: Line | None = None
    likely: tuple[str, ...] = ()


def recaptures(board: chess.Board, square: chess.Square) -> list[chess.Move]:
    """The legal captures on `square`, by the letters of UCI; of promotions the queen."""
    moves = board.generate_legal_captures(chess.BB_ALL, chess.BB_SQUARES[square])
    return sorted((move for move in moves if move.promotion in (None, chess.QUEEN)), key=chess.Move.uci)


def to_try(play: Play, ply: int, chances: Mapping[str, float], best: str = "") -> list[tuple[int, str]]:
    """(plies before it, move in UCI) of every answer worth trying against `play`, whose gain is in hand at `ply`: the
    recaptures of what takes something up to there, the likeliest defences to the first move (`chances` after it), and
    what would have been the best move before the slip (`best`), where it still can be played. The answers of `play`
    itself are left out."""
    found: list[tuple[int, str]] = []
    for plies in range(1, min(max(ply, 1), DEEPEST, len(play)) + 1, 2):
        if plies == 1 or play.is_capture(plies - 1):
            found += [(plies, move.uci()) for move in recaptures(play.boards[plies], play.moves[plies - 1].to_square)]
    likeliest = sorted(chances, key=lambda move: (-chances[move], move))[:LIKELIEST]
    found += [(1, move) for move in likeliest if chances[move] >= LIKELY]
    found += [(1, best)] if best in chances else []
    own = {(index, play.moves[index].uci()) for index in range(1, len(play), 2)}
    return [each for each in dict.fromkeys(found) if each not in own]
