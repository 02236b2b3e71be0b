"""How a slip makes a capture possible: what it put within reach, left without a guard, or did nothing about.

These say less than a fork or a pin, and stand after them; but most slips in openings are of this kind.
"""

from __future__ import annotations

from collections.abc import Iterator

import chess

from trapscan.explain import motif as m
from trapscan.explain.exchange import VALUES, as_mover, balance, exchange, loot, settle, threat_on
from trapscan.explain.motif import Motif
from trapscan.explain.motif_attacks import opened, slip_took
from trapscan.explain.move_text import threats
from trapscan.explain.play import Play
from trapscan.explain.words import the_piece

_KEPT = 7
"""For how many plies a capture must hold."""


def _before(play: Play) -> tuple[chess.Board, chess.Move] | None:
    """The position before the slip, as if it were the punisher's turn, and the slip; None where it is not known."""
    board = play.boards[0].copy(stack=1)
    if not board.move_stack:
        return None
    slip = board.pop()
    return as_mover(board, play.side), slip


def _profit(play: Play) -> tuple[chess.Square, chess.Move] | None:
    """(what is taken, the move) if the first move takes something with profit."""
    taken = play.taken(0) if play.moves else None
    if taken is None or exchange(play.boards[0], play.moves[0]) <= 0:
        return None
    return taken[0], play.moves[0]


def hanging(play: Play) -> Iterator[Motif]:
    """Hanging piece: the first move simply takes a piece (not a pawn) that nothing guards. A recapture is not meant:
    the slip itself did not take something of that value there."""
    if not play.moves:
        return
    taken = play.taken(0)
    if taken is None or taken[1] == chess.PAWN:
        return
    square, kind = taken
    if play.boards[0].attackers_mask(not play.side, square) or slip_took(play, square) >= VALUES[kind]:
        return
    if not any(play.boards[1].generate_legal_captures(chess.BB_ALL, chess.BB_SQUARES[play.moves[0].to_square])):
        yield Motif(m.HANGING, 1, play.moves[0].to_square, (square,), 1)


def en_prise(play: Play) -> Iterator[Motif]:
    """Put en prise: the slip moves a man to where the first move takes it with profit (what the slip itself took there
    does not make up for it)."""
    hit = _profit(play)
    if hit is None or not play.boards[0].move_stack:
        return
    square, move = hit
    slip = play.boards[0].peek()
    if square == slip.to_square and exchange(play.boards[0], move) > slip_took(play, square):
        yield Motif(m.EN_PRISE, 1, move.to_square, (square,), 1)


def unmet_threat(play: Play) -> Iterator[Motif]:
    """Unmet threat: the first move takes something that it could have taken with as much profit before the slip; the
    slip did nothing about it."""
    hit, known = _profit(play), _before(play)
    if hit is None or known is None:
        return
    (square, move), (before, slip) = hit, known
    if square == slip.to_square or before.piece_at(square) != play.boards[0].piece_at(square):
        return
    if before.is_legal(move) and exchange(before, move) >= exchange(play.boards[0], move):
        yield Motif(m.UNMET, 1, move.to_square, (square,), 1)


def guard_leaves(play: Play) -> Iterator[Motif]:
    """Guard that leaves: the piece that makes the slip guarded what the first move takes, and no longer does; before
    the slip the capture would have won less."""
    hit, known = _profit(play), _before(play)
    if hit is None or known is None:
        return
    (square, move), (before, slip) = hit, known
    if square in (slip.from_square, slip.to_square):
        return
    guarded = before.attacks_mask(slip.from_square) & chess.BB_SQUARES[square]
    still = play.boards[0].attacks_mask(slip.to_square) & chess.BB_SQUARES[square]
    if guarded and not still and before.is_legal(move) and exchange(before, move) < exchange(play.boards[0], move):
        yield Motif(m.GUARD_LEAVES, 1, move.to_square, (square, slip.from_square, slip.to_square), 1)


def way_opened(play: Play) -> Iterator[Motif]:
    """Line opened by the slip: the first move takes something along a line on which the man that slipped stood."""
    hit, known = _profit(play), _before(play)
    if hit is None or known is None:
        return
    (square, move), (_, slip) = hit, known
    if chess.between(move.from_square, square) & chess.BB_SQUARES[slip.from_square]:
        yield Motif(m.WAY_OPENED, 1, move.to_square, (square, slip.from_square), 1)


def loose_pawn(play: Play) -> Iterator[Motif]:
    """Loose pawn: the first move simply takes a pawn that nothing guards."""
    hit = _profit(play)
    if hit is None:
        return
    square, move = hit
    taken = play.taken(0)
    if taken is None or taken[1] != chess.PAWN or slip_took(play, square) >= VALUES[chess.PAWN]:
        return
    if not play.boards[0].attackers_mask(not play.side, square):
        yield Motif(m.LOOSE_PAWN, 1, move.to_square, (square,), 1)


def tempo(play: Play) -> Iterator[Motif]:
    """Gain of tempo: a move attacks a piece to some purpose, itself or by opening a line; while that is met, another
    piece, or the same one on another target, takes something with more profit than the same capture would have had
    before."""
    for index in play.own():
        if index + 2 >= len(play) or not play.is_capture(index + 2):
            continue
        board, after, move, use = play.boards[index], play.boards[index + 1], play.moves[index], play.moves[index + 2]
        reply, taken = play.moves[index + 1], play.taken(index + 2)
        if taken is None or play.is_capture(index + 1) or taken[0] == reply.to_square:
            continue
        aimed = [*threats(board, after, move), *(target for _, target in opened(play, index))]
        hunted = [square for square in aimed if after.piece_type_at(square) not in (chess.PAWN, chess.KING)]
        hunted = [square for square in hunted if threat_on(after, square, play.side) > 0]
        if reply.from_square not in hunted or taken[0] in hunted:
            continue
        profit = exchange(play.boards[index + 2], use)
        if profit > 0 and (not board.is_legal(use) or exchange(board, use) < profit):
            yield Motif(m.TEMPO, index + 1, move.to_square, (reply.from_square, taken[0]), index + 3)


def simple_attack(play: Play) -> Iterator[Motif]:
    """Attack that cannot be met: the first move attacks a man to some purpose, and it is taken where it stands with one
    of the next three moves."""
    if len(play) < 3:
        return
    move, after = play.moves[0], play.boards[1]
    if loot(after, move.to_square) > 0:
        return
    for square in threats(play.boards[0], after, move):
        for ahead in (2, 4, 6):
            if ahead >= len(play):
                break
            taken = play.taken(ahead)
            there = taken is not None and taken[0] == square == play.where(square, 1, ahead)
            if there and exchange(play.boards[ahead], play.moves[ahead]) > 0:
                yield Motif(m.ATTACKED, 1, move.to_square, (square,), ahead + 1)
                return


def exchanges(play: Play) -> Iterator[Motif]:
    """Winning exchanges: the punisher's first moves, two or three, are all captures, the first alone pays nothing, and
    when they are done and nothing is pending the punisher has more than before the slip."""
    known = _before(play)
    if known is None or not play.moves or not play.is_capture(0) or exchange(play.boards[0], play.moves[0]) > 0:
        return
    for index in (2, 4):
        if index >= len(play) or not play.is_capture(index):
            return
        for end in play.boards[index + 1 : index + 3]:
            value = balance(end, play.side)
            if value > balance(known[0], play.side) and not end.is_check() and settle(end, play.side)[0] == value:
                yield Motif(m.EXCHANGES, 1, play.moves[0].to_square, (play.moves[index].to_square,), index + 1)
                return


def guard_shut_off(play: Play) -> Iterator[Motif]:
    """Guard shut off: the slip goes between one of its own side's line pieces and what the first move takes, which that
    piece guarded; before the slip the capture would have won less."""
    hit, known = _profit(play), _before(play)
    if hit is None or known is None:
        return
    (square, move), (before, slip) = hit, known
    sliders = (before.bishops | before.rooks | before.queens) & before.occupied_co[not play.side]
    for guard in chess.SquareSet(sliders & before.attackers_mask(not play.side, square)):
        shut = chess.between(guard, square) & chess.BB_SQUARES[slip.to_square]
        if shut and before.is_legal(move) and exchange(before, move) < exchange(play.boards[0], move):
            yield Motif(m.SHUT_OFF, 1, move.to_square, (square, guard, slip.to_square), 1)
            return


def safe_capture(play: Play) -> Iterator[Motif]:
    """Safe capture: the first move takes something that is guarded often enough by count, and yet the line never gives
    it back: after none of the next plies does the victim get it back by captures."""
    if len(play) < 4 or not play.is_capture(0) or not play.boards[0].move_stack:
        return
    if exchange(play.boards[0], play.moves[0]) > 0 or slip_took(play, play.moves[0].to_square):
        return
    kept = balance(play.boards[1], play.side)
    boards = play.boards[2 : _KEPT + 1]
    if balance(boards[-1], play.side) >= kept and all(settle(board, play.side)[0] >= kept for board in boards):
        yield Motif(m.SAFE_CAPTURE, 1, play.moves[0].to_square, (play.moves[0].to_square,), 1)


# --- words -----------------------------------------------------------------------------------------------------------


def slipped(play: Play) -> str:
    """'the knight has left f3', for the slip before the line."""
    slip = play.boards[0].peek()
    kind = play.boards[0].piece_type_at(slip.to_square) if slip.promotion is None else chess.PAWN
    return f"the {chess.piece_name(kind or chess.PAWN)} has left {chess.square_name(slip.from_square)}"


def tell_hanging(play: Play, motif: Motif) -> str:
    return f"takes {the_piece(play.boards[0], motif.targets[0])}, which nothing guards"


def tell_left(play: Play, motif: Motif) -> str:
    return f"takes {the_piece(play.boards[0], motif.targets[0])}, now that {slipped(play)}"


def tell_en_prise(play: Play, motif: Motif) -> str:
    return f"simply takes {the_piece(play.boards[0], motif.targets[0])}"


def tell_unmet(play: Play, motif: Motif) -> str:
    return f"takes {the_piece(play.boards[0], motif.targets[0])}, which was already attacked"


def tell_shut_off(play: Play, motif: Motif) -> str:
    board = play.boards[0]
    prize, guard, between = motif.targets
    return f"takes {the_piece(board, prize)}, as {the_piece(board, between)} shuts off {the_piece(board, guard)}"


def tell_safe_capture(play: Play, motif: Motif) -> str:
    return f"takes {the_piece(play.boards[0], motif.targets[0])} and keeps it"


def tell_exchanges(play: Play, motif: Motif) -> str:
    return f"starts the exchanges that end with {play.san(motif.paid - 1)}"


def tell_tempo(play: Play, motif: Motif) -> str:
    after = play.boards[motif.ply]
    return f"hits {the_piece(after, motif.targets[0])} and gains time for {play.san(motif.ply + 1)}"


def tell_attacked(play: Play, motif: Motif) -> str:
    return f"attacks {the_piece(play.boards[1], motif.targets[0])}"
