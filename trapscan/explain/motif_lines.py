"""Motifs along lines: pin, skewer, interference, and a line opened to the king."""

from __future__ import annotations

from collections.abc import Iterator

import chess

from trapscan.explain import motif as m
from trapscan.explain.exchange import as_mover, exchange, loot, value_at
from trapscan.explain.motif import Motif
from trapscan.explain.play import Play

_KING = 100


def worth(board: chess.Board, square: chess.Square) -> int:
    """The value of what stands there, a king counting more than anything."""
    return _KING if board.piece_type_at(square) == chess.KING else value_at(board, square)


def pins(board: chess.Board, side: chess.Color) -> Iterator[tuple[chess.Square, chess.Square, chess.Square]]:
    """(pinning piece of `side`, pinned enemy man, what stands behind it): the king, or a piece worth more than the
    pinned one and more than the pinning one, or unprotected."""
    sliders = (board.bishops | board.rooks | board.queens) & board.occupied_co[side]
    theirs = board.occupied_co[not side]
    for slider in chess.SquareSet(sliders):
        for front in chess.SquareSet(board.attacks_mask(slider) & theirs):
            if board.piece_type_at(front) == chess.KING:
                continue
            behind = _next_on_ray(board, slider, front)
            if behind is None or board.color_at(behind) == side:
                continue
            rear = worth(board, behind)
            if rear > worth(board, front) and (rear > value_at(board, slider) or rear == _KING):
                yield slider, front, behind


def _next_on_ray(board: chess.Board, origin: chess.Square, through: chess.Square) -> chess.Square | None:
    """The first occupied square beyond `through`, seen from `origin`."""
    line = chess.ray(origin, through)
    beyond = [
        square
        for square in chess.SquareSet(line & board.occupied)
        if chess.between(origin, square) & chess.BB_SQUARES[through]
    ]
    if not beyond:
        return None
    return min(beyond, key=lambda square: chess.square_distance(through, square))


def pin(play: Play) -> Iterator[Motif]:
    """Pin: an enemy man stands on a line between a rook, bishop or queen and its own king (absolute) or something
    more valuable (relative), and the line makes use of it: the pinned man is taken because it could not leave, or a
    move goes where it would take back but for the pin."""
    for index in play.own():
        after = play.boards[index + 1]
        before = play.boards[index]
        move = play.moves[index]
        for slider, front, behind in pins(after, play.side):
            # use one: the pinned man is taken with profit by the next move
            if index + 2 < len(play):
                taken = play.taken(index + 2)
                if (
                    taken
                    and taken[0] == front
                    and taken[1] != chess.PAWN
                    and play.moves[index + 1].from_square != front
                    and exchange(play.boards[index + 2], play.moves[index + 2]) > 0
                ):
                    yield Motif(m.PIN, index + 1, slider, (front, behind), index + 3)
        for slider, front, behind in pins(before, play.side):
            # use two: the move goes where the pinned man guards in vain
            king_behind = before.piece_type_at(behind) == chess.KING
            if not king_behind or front == move.to_square or move.from_square == slider:
                continue
            if not after.attacks_mask(front) & chess.BB_SQUARES[move.to_square]:
                continue
            reply = chess.Move(front, move.to_square)
            if after.is_legal(reply) or after.color_at(move.to_square) != play.side:
                continue
            if _free_to_take(after, reply) > 0:
                yield Motif(m.PIN, index + 1, slider, (front, behind), index + 1)


def _free_to_take(board: chess.Board, move: chess.Move) -> int:
    """What `move` would net if only the exchange on its square counted, pins aside."""
    return value_at(board, move.to_square)


def skewer(play: Play) -> Iterator[Motif]:
    """Skewer: a rook, bishop or queen attacks the king or a valuable piece; that one steps aside, and what stood behind
    it on the line is taken by the attacker."""
    for index in play.own():
        if index + 2 >= len(play):
            continue
        attack, reply, capture = play.moves[index], play.moves[index + 1], play.moves[index + 2]
        if play.mover(index) not in (chess.BISHOP, chess.ROOK, chess.QUEEN):
            continue
        if capture.from_square != attack.to_square or not play.is_capture(index + 2):
            continue
        front, rear = reply.from_square, capture.to_square
        after = play.boards[index + 1]
        if not chess.between(attack.to_square, rear) & chess.BB_SQUARES[front]:
            continue
        if not after.attacks_mask(attack.to_square) & chess.BB_SQUARES[front]:
            continue
        if after.color_at(rear) == play.side or after.piece_type_at(rear) == chess.PAWN:
            continue
        if worth(after, front) < worth(after, rear):
            continue
        if exchange(play.boards[index + 2], capture) <= 0:
            continue
        yield Motif(m.SKEWER, index + 1, attack.to_square, (front, rear), index + 3)


def interference(play: Play) -> Iterator[Motif]:
    """Interference: a man comes to stand on the line along which an enemy rook, bishop or queen guards something; the
    next move takes that or goes there, which the guard had prevented."""
    for index in play.own():
        if index + 2 >= len(play):
            continue
        block = play.moves[index].to_square
        before, later, use = play.boards[index], play.boards[index + 2], play.moves[index + 2]
        goal = use.to_square
        if goal == block:
            continue
        guards = (before.bishops | before.rooks | before.queens) & before.occupied_co[not play.side]
        for guard in chess.SquareSet(guards):
            if not chess.between(guard, goal) & chess.BB_SQUARES[block]:
                continue
            if not before.attacks_mask(guard) & chess.BB_SQUARES[goal]:
                continue
            if later.piece_at(guard) != before.piece_at(guard) or later.attacks_mask(guard) & chess.BB_SQUARES[goal]:
                continue
            mates = play.boards[index + 3].is_checkmate()
            if mates or (play.is_capture(index + 2) and exchange(later, use) > 0):
                yield Motif(m.INTERFERENCE, index + 1, block, (goal, guard), index + 3)


def opened_line(play: Play) -> Iterator[Motif]:
    """Opened line to the king: the slip vacated a square on a line to its own king, and the refutation checks, or pins
    against the king, along that line with its first two moves."""
    board = play.boards[0]
    if not board.move_stack:
        return
    left = board.peek().from_square
    king = board.king(not play.side)
    if king is None or chess.square_file(king) not in (3, 4):
        return
    for index in (0, 2):
        if index >= len(play) or play.boards[index + 1].king(not play.side) != king:
            return
        after = play.boards[index + 1]
        for checker in chess.SquareSet(after.checkers_mask()):
            if chess.between(checker, king) & chess.BB_SQUARES[left]:
                yield Motif(m.OPENED_LINE, index + 1, checker, (king, left), index + 1)
        for slider, front, behind in pins(after, play.side):
            fresh = play.moves[index].to_square == slider
            if fresh and behind == king and chess.between(slider, king) & chess.BB_SQUARES[left]:
                yield Motif(m.OPENED_LINE, index + 1, slider, (king, front, left), index + 1)


def unguarded(board: chess.Board, square: chess.Square, side: chess.Color) -> bool:
    """Whether `side` could take on `square` with profit."""
    return loot(as_mover(board, side), square) > 0
