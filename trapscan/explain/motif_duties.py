"""Motifs about a piece's duties: removal of the guard, deflection, decoy, overloaded piece, zwischenzug."""

from __future__ import annotations

from collections.abc import Iterator

import chess

from trapscan.explain import motif as m
from trapscan.explain.exchange import exchange, value_at
from trapscan.explain.motif import Motif
from trapscan.explain.motif_attacks import slip_took
from trapscan.explain.play import Play


def removal(play: Play) -> Iterator[Motif]:
    """Removal of the guard: a man that guards something is taken, and what it guarded is then taken with profit, which
    before would not have paid."""
    for index in play.own():
        if index + 2 >= len(play):
            continue
        gone = play.taken(index)
        prize = play.taken(index + 2)
        if gone is None or prize is None or prize[0] == gone[0] or prize[0] == play.moves[index].to_square:
            continue
        before = play.boards[index]
        if before.piece_at(prize[0]) != play.boards[index + 2].piece_at(prize[0]):
            continue
        if not before.attacks_mask(gone[0]) & chess.BB_SQUARES[prize[0]]:
            continue
        if _better_now(play, index, index + 2):
            yield Motif(m.REMOVAL, index + 1, play.moves[index].to_square, (gone[0], prize[0]), index + 3)


def deflection(play: Play) -> Iterator[Motif]:
    """Deflection: a move forces or lures an enemy man away from what it guards, and the next move takes that, mates or
    promotes there, which the guard had prevented."""
    for index in play.own():
        if index + 2 >= len(play):
            continue
        lured = _lured_from(play, index)
        if lured is not None:
            yield Motif(m.DEFLECTION, index + 1, play.moves[index].to_square, lured, index + 3)


def overload(play: Play) -> Iterator[Motif]:
    """Overloaded piece: a man guards two things; one of them is taken, it takes back, and then it is missed where the
    other is."""
    for index in play.own():
        if index + 2 >= len(play) or not play.is_capture(index):
            continue
        lured = _lured_from(play, index)
        if lured is not None and play.moves[index + 1].to_square == play.moves[index].to_square:
            yield Motif(m.OVERLOAD, index + 1, play.moves[index].to_square, lured, index + 3)


def _lured_from(play: Play, index: int) -> tuple[chess.Square, chess.Square] | None:
    """(where the guard stood, what it guarded) if the reply to move `index` takes a guard away from where the next
    move strikes."""
    reply, use = play.moves[index + 1], play.moves[index + 2]
    guard, goal = reply.from_square, use.to_square
    if goal in (reply.to_square, play.moves[index].to_square) or play.moves[index].to_square == guard:
        return None
    if not play.boards[index + 1].attacks_mask(guard) & chess.BB_SQUARES[goal]:
        return None
    if play.boards[index + 2].attacks_mask(reply.to_square) & chess.BB_SQUARES[goal]:
        return None
    forced = play.boards[index + 1].is_check() or reply.to_square == play.moves[index].to_square
    if not forced:
        return None
    return (guard, goal) if _better_now(play, index, index + 2) else None


def _better_now(play: Play, index: int, later: int) -> bool:
    """Whether move `later` wins more (a mate counts most) than the same move would have won before move `index`."""
    use = play.moves[later]
    mates = play.boards[later + 1].is_checkmate()
    before = play.boards[index]
    if mates:
        if not before.is_legal(use):
            return True
        trial = before.copy(stack=False)
        trial.push(use)
        return not trial.is_checkmate()
    now = exchange(play.boards[later], use)
    if now <= 0:
        return False
    if not before.is_legal(use):
        return True
    return exchange(before, use) < now


def decoy(play: Play) -> Iterator[Motif]:
    """Decoy: a man is offered on a square; the king or a piece takes it there, and there it is hit: the next move
    checks that king, or takes or forks that piece."""
    for index in play.own():
        if index + 2 >= len(play):
            continue
        bait, reply, hit = play.moves[index].to_square, play.moves[index + 1], play.moves[index + 2]
        if reply.to_square != bait or not play.is_capture(index + 1):
            continue
        offered = value_at(play.boards[index + 1], bait)
        gained = play.taken(index)
        if gained is not None and value_at(play.boards[index], gained[0]) >= offered:
            continue
        lured = play.mover(index + 1)
        after = play.boards[index + 3]
        if lured == chess.KING:
            if after.is_check():
                yield Motif(m.DECOY, index + 1, bait, (reply.from_square, bait), index + 3)
        elif lured != chess.PAWN and (
            hit.to_square == bait
            or (after.attacks_mask(hit.to_square) & chess.BB_SQUARES[bait] and after.piece_at(bait) is not None)
        ):
            yield Motif(m.DECOY, index + 1, bait, (reply.from_square, bait), index + 3)


def zwischenzug(play: Play) -> Iterator[Motif]:
    """Zwischenzug: instead of taking back at once, the punisher first makes a move with a threat (a check, a capture,
    an attack on something worth more), and takes back after the reply."""
    for index in play.own():
        if index + 2 >= len(play):
            continue
        due = _recapture_due(play, index)
        if due is None or play.moves[index].to_square == due:
            continue
        if play.moves[index + 2].to_square != due or not play.is_capture(index + 2):
            continue
        if play.boards[index + 2].piece_at(due) != play.boards[index].piece_at(due):
            continue
        yield Motif(m.ZWISCHENZUG, index + 1, play.moves[index].to_square, (due,), index + 3)


def _recapture_due(play: Play, index: int) -> chess.Square | None:
    """The square on which the enemy's last move took something and could be taken back, or None."""
    board = play.boards[index]
    if index == 0:
        if not board.move_stack:
            return None
        square = board.peek().to_square
        if slip_took(play, square) == 0:
            return None
    else:
        square = play.moves[index - 1].to_square
        if not play.is_capture(index - 1):
            return None
    for move in board.generate_legal_captures(chess.BB_ALL, chess.BB_SQUARES[square]):
        if exchange(board, move) > 0:
            return square
    return None
