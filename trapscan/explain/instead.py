"""What the victim should play instead, and what it answers."""

from __future__ import annotations

from collections.abc import Collection, Iterable, MutableMapping

import chess

from trapscan.contract import Instead
from trapscan.explain.exchange import as_mover, capture_square, loot
from trapscan.explain.move_text import threats
from trapscan.explain.tempt import strengths
from trapscan.explain.words import the_piece
from trapscan.model import Chances, Line
from trapscan.score import Score, loss

GOOD, SURE = 0.05, 2.0
"""A move is advised when its score is nearer than this to the best one's by so many standard errors of its search
(objective expected score): half of the usual threshold, so that a move advised is hardly ever a slip itself
(`scripts/check_report` tells). One that seems better than the best is as doubtful as one that seems worse: the searches
differ."""

SHOWN = 3


def instead(
    board: chess.Board,
    best: Line,
    others: Iterable[tuple[str, Score, float]],
    chances: Chances,
    level: int,
    *,
    slip: str = "",
    punish: str = "",
    slips: Collection[str] = (),
    own: Collection[str] = (),
    merits: MutableMapping[str, str] | None = None,
) -> tuple[Instead, ...]:
    """Up to three good moves for the victim: those of the repertoire (`own`) first, then the likeliest at
    levels[`level`].

    `board` is the position before the slip; `others` are moves with their score (of any view) and the standard error of
    what they lose. `slips` are all moves that are slips here: none of
    them is ever shown, nor `slip` itself, even where the engine's first look took one for the best move. With the slip
    and the punisher's reply (UCI) given, `answers` says what a move meets; it is empty where nothing true can be said.
    `merits` keeps what speaks for a move whatever the slip was, for the next call on this board.
    """
    side = board.turn
    top = best.score.of(side)
    scored: dict[str, Score] = {}
    if best.pv:
        scored[best.pv[0]] = top
    for uci, score, error in others:
        if abs(loss(top, score.of(side))) + SURE * error < GOOD:
            scored.setdefault(uci, score.of(side))
    good = [uci for uci in scored if uci != slip and uci not in slips]
    likely = {uci: chances[uci][level] if uci in chances else 0.0 for uci in good}
    good.sort(key=lambda uci: (uci not in own, -likely[uci], -scored[uci].plain, uci))
    result = []
    for uci in good[:SHOWN]:
        move = board.parse_uci(uci)
        words = answers(board, move, slip=slip, punish=punish, merits=merits)
        result.append(Instead(san=board.san(move), uci=uci, cp=scored[uci].json(), answers=words))
    return tuple(result)


def answers(
    board: chess.Board,
    move: chess.Move,
    *,
    slip: str = "",
    punish: str = "",
    merits: MutableMapping[str, str] | None = None,
) -> str:
    """What `move` meets or does, in a few words ('covers a5', 'guards the pawn on e5'), or nothing.

    With `slip` and `punish` (UCI) it says what becomes of the punishing move after `move`, where that can be seen.
    """
    after = _after(board, move)
    if punish and slip:
        met = _meets(board, move, after, chess.Move.from_uci(slip), chess.Move.from_uci(punish))
        if met:
            return met
    merits = {} if merits is None else merits
    if move.uci() not in merits:
        merits[move.uci()] = _merit(board, move)
    return merits[move.uci()]


def _merit(board: chess.Board, move: chess.Move) -> str:
    # what "looks" or "seems" so tempts; here the plain deed is enough
    deeds = [deed.partition(",")[0] for deed in strengths(board, move)[:2]]
    return " and ".join(deeds if deeds[:1] == ["gives check"] else deeds[:1])


def _after(board: chess.Board, move: chess.Move) -> chess.Board:
    after = board.copy(stack=False)
    after.push(move)
    return after


def _meets(board: chess.Board, move: chess.Move, after: chess.Board, slip: chess.Move, punish: chess.Move) -> str:
    """What `move` does about `punish`, compared with what that wins after `slip`."""
    slipped = _after(board, slip)
    taken = capture_square(board, move)
    if taken is not None and taken == punish.from_square:
        return f"takes {the_piece(board, taken)}"
    if not slipped.is_legal(punish):
        return ""
    punished = _after(slipped, punish)
    to = chess.square_name(punish.to_square)
    if not after.is_legal(punish):
        if chess.between(punish.from_square, punish.to_square) & chess.BB_SQUARES[move.to_square]:
            return f"closes the way to {to}"
        return ""
    tried = _after(after, punish)
    if board.piece_at(punish.to_square) and move.from_square == punish.to_square:
        return f"takes {the_piece(board, punish.to_square)} out of the attack"
    mover_guards = bool(after.attacks_mask(move.to_square) & chess.BB_SQUARES[punish.to_square])
    if mover_guards and loot(tried, punish.to_square) > 0 and loot(punished, punish.to_square) == 0:
        target = after.piece_at(punish.to_square)
        return f"guards {the_piece(after, punish.to_square)}" if target else f"covers {to}"
    for square in threats(slipped, punished, punish):
        # what the punishing move goes for is safe now: because it left, or because it is guarded
        if square == move.from_square and square != slip.to_square:
            return f"takes {the_piece(board, square)} out of the attack"
        if tried.color_at(square) != board.turn or loot(as_mover(tried, not board.turn), square) > 0:
            continue
        if after.attacks_mask(move.to_square) & chess.BB_SQUARES[square]:
            return f"guards {the_piece(after, square)}"
    if punished.is_check() and not tried.is_check():
        king = after.king(board.turn)
        if king is not None and chess.between(punish.to_square, king) & chess.BB_SQUARES[move.to_square]:
            return f"closes the line of the check on {to}"
        if move.from_square == board.king(board.turn):
            return f"takes the king out of the check on {to}"
    return ""
