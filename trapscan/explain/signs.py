"""Plain facts of a slip by which its nature is told: what changes hands, at once and in the end, and how.

All material is in pawns and counted where the captures have been played out (`exchange.settle`), against the board
before the slip. So a capture that the victim could have made and did not is no loss of his; it stands in `could`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import chess

from trapscan.explain.deeds import mate_threat, threats
from trapscan.explain.exchange import as_mover, balance, exchange, settle
from trapscan.explain.play import Play
from trapscan.model import Line
from trapscan.score import Score

SOON, HORIZON = 7, 12
"""Plies within which what is won must be there, and for which it must be kept: further on an engine's line is a guess."""


@dataclass(frozen=True, slots=True)
class Signs:
    """What a slip and its refutation do on the board; pawns are the punisher's but for `could`, which are the victim's.

    `taken`: what the punisher wins soon and keeps, over the board before the slip. `at_once`: what the first reply wins
    by the exchange on its square. `was_there`: what that capture would have won if the slip had been a pass. `given`:
    the most that the punisher is behind the board before the slip on the way. `could`: what the victim's best line
    wins in the same sense as `taken`; `could_mate`: it mates. `check`, `capture`, `threat`: what the first reply is
    (a threat to take something with profit, or to mate). `takes_slip`: it takes the man that slipped. `slip_takes`:
    what the slip itself wins by the exchange on its square (negative where it gives something there).
    """

    taken: float = 0.0
    at_once: float = 0.0
    was_there: float = 0.0
    given: float = 0.0
    could: float = 0.0
    could_mate: bool = False
    check: bool = False
    capture: bool = False
    threat: bool = False
    takes_slip: bool = False
    slip_captures: bool = False
    slip_takes: float = 0.0


def signs(board: chess.Board, slip: chess.Move, *, best: Line, refutation: Sequence[str]) -> Signs:
    """The signs of `slip`, played on `board` (the victim to move) and refuted by `refutation` (UCI, the reply first);
    `best` is the victim's best line. Pure."""
    play = Play.after(board, slip, refutation)
    best_play = Play.along(board, best.pv)
    punisher, victim = not board.turn, board.turn
    values = _settled(play, punisher)
    before = balance(board, punisher)
    could = _kept(_settled(best_play, victim)) - balance(board, victim)
    slip_captures = board.is_capture(slip)
    if not play.moves:
        return Signs(
            taken=_kept(values) - before,
            could=could,
            could_mate=_mates(best, victim),
            slip_captures=slip_captures,
            slip_takes=exchange(board, slip),
        )
    reply, after = play.moves[0], play.boards[1]
    mine = as_mover(board, punisher)
    return Signs(
        taken=_kept(values) - before,
        at_once=exchange(play.boards[0], reply) if play.is_capture(0) else 0.0,
        was_there=exchange(mine, reply) if mine.is_legal(reply) and mine.is_capture(reply) else 0.0,
        given=max(0, before - min(values[: SOON + 1])),
        could=could,
        could_mate=_mates(best, victim),
        check=after.is_check(),
        capture=play.is_capture(0),
        threat=bool(threats(play.boards[0], after, reply)) or mate_threat(after, punisher) is not None,
        takes_slip=reply.to_square == slip.to_square,
        slip_captures=slip_captures,
        slip_takes=exchange(board, slip),
    )


def _settled(play: Play, side: chess.Color) -> list[int]:
    """The settled balance of `side` at every board of a line, as far as it is believed."""
    return [settle(board, side)[0] for board in play.boards[: HORIZON + 1]]


def _kept(values: Sequence[int]) -> int:
    """The most that is there soon and never given back."""
    return min(values[min(SOON, len(values) - 1) :])


def _mates(line: Line, side: chess.Color) -> bool:
    return line.score.of(side).mate_won
