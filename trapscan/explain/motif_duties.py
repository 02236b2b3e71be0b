"""Motifs about a piece's duties: removal of the guard, deflection, decoy, overloaded piece, zwischenzug."""

from __future__ import annotations

from collections.abc import Iterator

import chess

from trapscan.explain import motif as m
from trapscan.explain.exchange import VALUES, exchange, loot, value_at
from trapscan.explain.motif import Motif
from trapscan.explain.motif_attacks import slip_took
from trapscan.explain.move_text import piece_or_square
from trapscan.explain.play import Play
from trapscan.explain.words import piece_name, the_piece


def removal(play: Play) -> Iterator[Motif]:
    """Removal of the guard: a man that guards something is taken, with check or without; it is taken back, and another
    piece takes what was guarded, which nothing guards any longer and which before would not have paid."""
    for index in play.own():
        if index + 2 >= len(play):
            continue
        gone, prize = play.taken(index), play.taken(index + 2)
        take, reply, use = play.moves[index], play.moves[index + 1], play.moves[index + 2]
        if gone is None or prize is None or reply.to_square != take.to_square or use.from_square == take.to_square:
            continue
        before = play.boards[index]
        if prize[0] in (gone[0], take.to_square) or play.where(prize[0], index, index + 2) != prize[0]:
            continue
        if not before.attacks_mask(gone[0]) & chess.BB_SQUARES[prize[0]]:
            continue
        later = play.boards[index + 2]
        if later.attackers_mask(not play.side, prize[0]):
            continue
        if exchange(later, use) >= VALUES[prize[1]] > loot(before, prize[0]):
            yield Motif(m.REMOVAL, index + 1, take.to_square, (gone[0], prize[0]), index + 3)


def deflection(play: Play) -> Iterator[Motif]:
    """Deflection: a sacrifice that is taken, or a check, draws an enemy man away from what it guards, and the next move
    takes that with more profit than it would have had before."""
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
        taken = play.taken(index)
        if taken is None or play.moves[index + 1].to_square != play.moves[index].to_square:
            continue
        lured = _missed_at(play, index)
        if lured is not None and _better_now(play, index, index + 2):
            yield Motif(m.OVERLOAD, index + 1, play.moves[index].to_square, (*lured, taken[0]), index + 3)


def _lured_from(play: Play, index: int) -> tuple[chess.Square, chess.Square] | None:
    """(where the guard stood, what it guarded) if a sacrifice or check with move `index` drew it away."""
    if not play.is_capture(index + 2) or not _better_now(play, index, index + 2):
        return None
    after, reply = play.boards[index + 1], play.moves[index + 1]
    if reply.to_square == play.moves[index].to_square:
        taken = play.taken(index)
        if taken is not None and VALUES[taken[1]] >= value_at(after, reply.to_square):
            return None
    elif not after.is_check():
        return None
    return _missed_at(play, index)


def _missed_at(play: Play, index: int) -> tuple[chess.Square, chess.Square] | None:
    """(where it stood, what it guarded) if the man that replies to move `index` guarded what the next move strikes at,
    and does so no longer."""
    reply, use = play.moves[index + 1], play.moves[index + 2]
    guard, goal = reply.from_square, use.to_square
    if goal == reply.to_square or play.moves[index].to_square == guard:
        return None
    if not play.boards[index + 1].attacks_mask(guard) & chess.BB_SQUARES[goal]:
        return None
    if play.boards[index + 2].attacks_mask(reply.to_square) & chess.BB_SQUARES[goal]:
        return None
    return guard, goal


def _better_now(play: Play, index: int, later: int) -> bool:
    """Whether move `later` wins more (a mate counts most) than the same move would have won before move `index`."""
    use, before = play.moves[later], play.boards[index]
    if play.boards[later + 1].is_checkmate():
        if not before.is_legal(use):
            return True
        trial = before.copy(stack=False)
        trial.push(use)
        return not trial.is_checkmate()
    now = exchange(play.boards[later], use)
    return not before.is_legal(use) or exchange(before, use) < now


def decoy(play: Play) -> Iterator[Motif]:
    """Decoy: a man is given up, or exchanged, on a square where the king takes it and is hit there by the next move, a
    check; or where the queen or a rook takes it, is attacked there by the next move, and is lost there."""
    for index in play.own():
        if index + 2 >= len(play):
            continue
        bait, reply, hit = play.moves[index].to_square, play.moves[index + 1], play.moves[index + 2]
        if reply.to_square != bait or hit.to_square == bait:
            continue
        after = play.boards[index + 3]
        if not after.attacks_mask(hit.to_square) & chess.BB_SQUARES[bait]:
            continue
        taken, offered = play.taken(index), value_at(play.boards[index + 1], bait)
        gained = VALUES[taken[1]] if taken else 0
        lured = play.mover(index + 1)
        if lured == chess.KING and gained <= offered:
            yield Motif(m.DECOY, index + 1, bait, (reply.from_square, bait), index + 3)
        elif lured in (chess.QUEEN, chess.ROOK) and gained < offered:
            for later in range(index + 4, min(index + 7, len(play)), 2):
                hit_there = play.taken(later)
                if hit_there and hit_there[0] == bait:
                    yield Motif(m.DECOY, index + 1, bait, (reply.from_square, bait), later + 1)
                    break


def zwischenzug(play: Play) -> Iterator[Motif]:
    """Zwischenzug: the slip took something; instead of taking back at once, the punisher first makes a move with a
    threat (a check, a capture, or any move where taking back could wait), and takes back in the same way after the
    reply."""
    if len(play) < 3 or not play.boards[0].move_stack:
        return
    board, due = play.boards[0], play.boards[0].peek().to_square
    first, back = play.moves[0], play.moves[2]
    if slip_took(play, due) == 0 or first.to_square == due or back.to_square != due or not play.is_capture(2):
        return
    if play.moves[1].to_square == due or not board.is_legal(back):
        return
    if exchange(board, back) > 0 or play.boards[1].is_check() or play.is_capture(0):
        yield Motif(m.ZWISCHENZUG, 1, first.to_square, (due,), 3)


# --- words -----------------------------------------------------------------------------------------------------------


def tell_removal(play: Play, motif: Motif) -> str:
    board = play.boards[motif.ply - 1]
    return f"takes {the_piece(board, motif.targets[0])}, the guard of {the_piece(board, motif.targets[1])}"


def tell_deflection(play: Play, motif: Motif) -> str:
    after = play.boards[motif.ply]
    guard, goal = motif.targets
    return f"draws {the_piece(after, guard)} away from {piece_or_square(after, goal)}"


def tell_overload(play: Play, motif: Motif) -> str:
    after = play.boards[motif.ply]
    guard, goal, _ = motif.targets
    return f"overloads {the_piece(after, guard)}, which must also guard {piece_or_square(after, goal)}"


def tell_decoy(play: Play, motif: Motif) -> str:
    after = play.boards[motif.ply]
    lured, bait = piece_name(after, motif.targets[0]), chess.square_name(motif.targets[1])
    return f"lures the {lured} to {bait}, where {play.san(motif.ply + 1)} hits it"


def tell_zwischenzug(play: Play, motif: Motif) -> str:
    return f"comes before the recapture on {chess.square_name(motif.targets[0])}"
