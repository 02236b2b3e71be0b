"""What the victim should play instead, and what it answers."""

from __future__ import annotations

from collections.abc import Iterable

import chess

from trapscan.explain.exchange import as_mover, capture_square, loot
from trapscan.explain.tempt import why_tempting
from trapscan.explain.words import the_piece
from trapscan.model import Chances, Instead, Line
from trapscan.score import Score, loss

GOOD = 0.03
"""A move that loses less than this in objective expected score is a good move here."""

SHOWN = 3


def instead(
    board: chess.Board,
    best: Line,
    others: Iterable[tuple[str, Score]],
    chances: Chances,
    level: int,
    *,
    slip: str = "",
    punish: str = "",
) -> tuple[Instead, ...]:
    """Up to three good moves for the victim, the likeliest at levels[`level`] first.

    `board` is the position before the slip; scores are of any view. With the slip and the punisher's reply (UCI)
    given, `answers` says what a move meets; it is empty where nothing true can be said.
    """
    side = board.turn
    scored: dict[str, Score] = {}
    if best.pv:
        scored[best.pv[0]] = best.score.of(side)
    for uci, score in others:
        scored.setdefault(uci, score.of(side))
    top = best.score.of(side)
    good = [uci for uci, score in scored.items() if uci != slip and loss(top, score) < GOOD]
    good.sort(key=lambda uci: (-(chances[uci][level] if uci in chances else 0.0), -scored[uci].plain, uci))
    result = []
    for uci in good[:SHOWN]:
        move = board.parse_uci(uci)
        words = answers(board, move, slip=slip, punish=punish)
        result.append(Instead(san=board.san(move), uci=uci, cp=scored[uci].json(), answers=words))
    return tuple(result)


def answers(board: chess.Board, move: chess.Move, *, slip: str = "", punish: str = "") -> str:
    """What `move` meets or does, in a few words ('covers a5', 'guards the pawn on e5'), or nothing."""
    after = board.copy(stack=False)
    after.push(move)
    if punish:
        met = _meets(board, move, after, chess.Move.from_uci(punish))
        if met:
            return met
    text = why_tempting(board, move)
    return text.removeprefix("It ").removesuffix(".")


def _meets(board: chess.Board, move: chess.Move, after: chess.Board, punish: chess.Move) -> str:
    side = board.turn
    to = punish.to_square
    name = chess.square_name(to)
    target = after.piece_at(to)
    taken = capture_square(board, move)
    if taken is not None and taken == punish.from_square:
        return f"takes {the_piece(board, taken)}"
    if target is not None and target.color == side:
        enemy_before = as_mover(board, not side)
        if move.to_square != to and loot(enemy_before, to) > 0 and loot(as_mover(after, not side), to) == 0:
            return f"guards {the_piece(after, to)}"
    elif board.piece_at(to) is not None and move.from_square == to:
        return f"moves {the_piece(board, to)} away"
    if after.attacks_mask(move.to_square) & chess.BB_SQUARES[to] and not board.attackers_mask(side, to):
        return f"covers {name}"
    return ""
