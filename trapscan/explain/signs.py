"""The plain facts of a slip by which its nature is told: what changes hands, at once and in the end, and how."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import chess

from trapscan.explain.exchange import as_mover, balance, exchange, settle
from trapscan.explain.move_text import mate_threat, threats
from trapscan.explain.play import Play
from trapscan.model import Line, Signs

SOON, HORIZON = 7, 12
"""Plies within which what is won must be there, and for which it must be kept: further on a line is a guess."""


def signs(board: chess.Board, slip: chess.Move, play: Play, best: Line, best_play: Play) -> Signs:
    """The signs of `slip`, played on `board` (the victim to move), with its refutation played out in `play` and the
    victim's best line in `best_play`. Pure."""
    victim, punisher = board.turn, not board.turn
    before, values = balance(board, punisher), _settled(play, punisher)
    told = Signs(
        taken=_kept(values) - before,
        could=_kept(_settled(best_play, victim)) + before,
        could_mate=best.score.of(victim).mate_won,
        slip_takes=exchange(board, slip),
    )
    if not play.moves:
        return told
    reply, after = play.moves[0], play.boards[1]
    passed = as_mover(board, punisher)
    there = passed.is_legal(reply) and passed.is_capture(reply)
    return replace(
        told,
        first=values[1] - before,
        at_once=exchange(play.boards[0], reply) if play.is_capture(0) else 0,
        was_there=exchange(passed, reply) if there else 0,
        given=max(0, before - min(values[: SOON + 1])),
        check=after.is_check(),
        capture=play.is_capture(0),
        threat=bool(threats(play.boards[0], after, reply)) or mate_threat(after, punisher) is not None,
    )


def _settled(play: Play, side: chess.Color) -> list[int]:
    """The settled balance of `side` at every board of a line, as far as it is believed."""
    return [settle(board, side)[0] for board in play.boards[: HORIZON + 1]]


def _kept(values: Sequence[int]) -> int:
    """The most that is there soon and never given back."""
    return min(values[min(SOON, len(values) - 1) :])
