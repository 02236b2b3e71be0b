"""Motifs along lines: pin, skewer, interference, and a line opened to the king."""

from __future__ import annotations

from collections.abc import Iterator

import chess

from trapscan.explain import motif as m
from trapscan.explain.exchange import exchange, loot, threat_on, value_at
from trapscan.explain.motif import Motif
from trapscan.explain.move_text import piece_or_square
from trapscan.explain.play import Play
from trapscan.explain.words import the_piece

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
    """Pin: an enemy man stands on a line between a rook, bishop or queen and its own king (absolute) or something more
    valuable (relative), and the line makes use of it in one of these ways.

    - In vain: a man of the punisher's stands, or goes, where the pinned one would take it with profit, and may not.
    - Attack: a piece moves to pin another against the king and attacks it with profit there, safely itself.
    - Bait: it is worth less than the piece it pins against the king, which takes it and is taken back.
    - Relative: a piece moves to pin another and attacks it with profit; with its next move it takes that or, if it
      steps aside, what stood behind it.
    """
    for index in play.own():
        before, after = play.boards[index], play.boards[index + 1]
        moved_to = play.moves[index].to_square
        known = {(front, rear) for _, front, rear in pins(before, play.side)}
        for slider, front, rear in pins(after, play.side):
            if after.piece_type_at(rear) != chess.KING:
                if slider == moved_to:
                    yield from _relative(play, index, slider, front, rear)
                continue
            attack: Motif | None = None
            news = (front, rear) not in known
            if slider == moved_to and news and after.piece_type_at(front) != chess.PAWN:
                if _baited(play, index, front) and value_at(after, front) > value_at(after, slider):
                    yield Motif(m.PIN, index + 1, slider, (front, rear), index + 3)
                elif not after.is_check() and threat_on(after, front, play.side) > 0 and loot(after, slider) <= 0:
                    attack = Motif(m.PIN, index + 1, slider, (front, rear), _falls(play, index, front))
            if attack and attack.paid:
                yield attack
            # what was spared by the same pin before is no news
            spared = [s for s in _in_vain(after, slider, front, rear, play.side) if s == moved_to or news or index == 0]
            if spared:
                dearest = max(spared, key=lambda square: value_at(after, square))
                yield Motif(m.PIN, index + 1, slider, (front, rear, dearest), index + 1)
            if attack and not attack.paid:
                yield attack


def _in_vain(
    board: chess.Board, slider: chess.Square, front: chess.Square, rear: chess.Square, side: chess.Color
) -> Iterator[chess.Square]:
    """The men of `side` that the man on `front`, pinned against its king, would take with profit if it might."""
    for square in chess.SquareSet(board.attacks_mask(front) & board.occupied_co[side] & ~chess.ray(slider, rear)):
        guarded = bool(board.attackers_mask(side, square))
        if value_at(board, square) > value_at(board, front) or not guarded:
            yield square


def _falls(play: Play, index: int, front: chess.Square) -> int:
    """The ply at which the next move takes the pinned man where it stands, or 0."""
    if index + 2 >= len(play):
        return 0
    taken = play.taken(index + 2)
    return index + 3 if taken and taken[0] == front == play.where(front, index + 1, index + 2) else 0


def _baited(play: Play, index: int, front: chess.Square) -> bool:
    """Whether the pinned man takes the piece that pins it and is taken back."""
    if index + 2 >= len(play):
        return False
    square = play.moves[index].to_square
    reply, back = play.moves[index + 1], play.moves[index + 2]
    return reply.from_square == front and reply.to_square == square == back.to_square


def _relative(play: Play, index: int, slider: chess.Square, front: chess.Square, rear: chess.Square) -> Iterator[Motif]:
    after = play.boards[index + 1]
    if after.is_check() or index + 2 >= len(play) or after.piece_type_at(front) == chess.PAWN:
        return
    if loot(after, slider) > 0 or threat_on(after, front, play.side) <= 0:
        return
    taken = play.taken(index + 2)
    if taken and taken[0] in (front, rear) and exchange(play.boards[index + 2], play.moves[index + 2]) > 0:
        yield Motif(m.PIN, index + 1, slider, (front, rear), index + 3)


def skewer(play: Play) -> Iterator[Motif]:
    """Skewer: a rook, bishop or queen attacks the king or a piece along a line; that one steps aside, and a piece worth
    less behind it is taken by the attacker with profit."""
    for index in play.own():
        if index + 2 >= len(play) or play.mover(index) not in (chess.BISHOP, chess.ROOK, chess.QUEEN):
            continue
        attack, reply, capture = play.moves[index], play.moves[index + 1], play.moves[index + 2]
        front, rear = reply.from_square, capture.to_square
        after = play.boards[index + 1]
        if capture.from_square != attack.to_square or rear == reply.to_square or after.color_at(rear) != after.turn:
            continue
        if not chess.between(attack.to_square, rear) & chess.BB_SQUARES[front]:
            continue
        if after.piece_type_at(rear) == chess.PAWN or worth(after, front) <= worth(after, rear):
            continue
        if exchange(play.boards[index + 2], capture) > 0 and not play.boards[index + 3].is_checkmate():
            yield Motif(m.SKEWER, index + 1, attack.to_square, (front, rear), index + 3)


def interference(play: Play) -> Iterator[Motif]:
    """Interference: a man, the punisher's or the victim's own in reply, comes to stand on the line along which a rook,
    bishop or queen guards something; nothing else guards that, and the next move takes it with profit."""
    for index in play.own():
        if index + 2 >= len(play):
            continue
        use = play.moves[index + 2]
        if not play.is_capture(index + 2) or exchange(play.boards[index + 2], use) <= 0:
            continue
        goal = use.to_square
        for step in (index, index + 1):
            before, after, block = play.boards[step], play.boards[step + 1], play.moves[step].to_square
            guards = (before.bishops | before.rooks | before.queens) & before.occupied_co[not play.side]
            for guard in chess.SquareSet(guards & before.attackers_mask(not play.side, goal)):
                cut = chess.between(guard, goal) & chess.BB_SQUARES[block]
                if not cut or after.piece_at(guard) != before.piece_at(guard) or after.color_at(goal) == play.side:
                    continue
                if after.piece_at(goal) and not after.attackers_mask(not play.side, goal):
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


# --- words -----------------------------------------------------------------------------------------------------------


def tell_pin(play: Play, motif: Motif) -> str:
    after, move = play.boards[motif.ply], play.moves[motif.ply - 1]
    front, rear, *spared = motif.targets
    held, against = the_piece(after, front), the_piece(after, rear)
    if spared and spared[0] == move.to_square:
        return f"works because {held} is pinned against {against} and cannot take"
    if motif.actor == move.to_square:
        return f"pins {held} against {against}"
    return f"works because {held} is pinned against {against}"


def tell_skewer(play: Play, motif: Motif) -> str:
    after = play.boards[motif.ply]
    front, rear = motif.targets
    return f"hits {the_piece(after, front)} and, behind it, {the_piece(after, rear)}"


def tell_interference(play: Play, motif: Motif) -> str:
    index = motif.ply - 1
    goal, guard = motif.targets
    if motif.actor == play.moves[index].to_square:
        after = play.boards[index + 1]
        return f"cuts {the_piece(after, guard)} off from {piece_or_square(after, goal)}"
    later_on = play.boards[index + 2]
    blocker, cut = the_piece(later_on, motif.actor), the_piece(later_on, guard)
    return f"makes {blocker} cut {cut} off from {piece_or_square(later_on, goal)}"


def tell_opened(play: Play, motif: Motif) -> str:
    if not play.boards[motif.ply].is_check():
        return ""
    before = play.boards[0].copy(stack=1)
    slip = before.pop()
    return f"checks along the line that {before.san(slip).rstrip('+#')} opens"
