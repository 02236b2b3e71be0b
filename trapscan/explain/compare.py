"""Where the same move is sound, and which move must not be delayed."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import NamedTuple

import chess

from trapscan.contract import Cp, LookAlike
from trapscan.explain.exchange import loot
from trapscan.explain.words import piece_name

SHOWN = 2

MOST_SQUARES = 6
"""Positions that differ in more squares do not look alike to anybody."""

REACH = 8
"""A move changes at most four squares (castling), so that two moves cannot make more than twice as many differ."""


class Candidate(NamedTuple):
    """A position where the move in question is sound, and the line that leads there in SAN; the scores of its best move
    and of this one are the victim's. `board` is not changed, so that one may serve many questions."""

    board: chess.Board
    fen: str
    line: Sequence[str]
    cp_best: Cp
    cp_move: Cp


def differing(one: chess.Board, other: chess.Board) -> tuple[str, ...]:
    """The squares whose occupants differ, a1 first."""
    return tuple(chess.square_name(square) for square in chess.scan_forward(_differing_mask(one, other)))


def _differing_mask(one: chess.Board, other: chess.Board) -> chess.Bitboard:
    """The squares whose occupants differ. By pairs of bitboards: whole repertoires are compared so."""
    white, black = chess.WHITE, chess.BLACK
    return (
        (one.occupied_co[white] ^ other.occupied_co[white])
        | (one.occupied_co[black] ^ other.occupied_co[black])
        | (one.pawns ^ other.pawns)
        | (one.knights ^ other.knights)
        | (one.bishops ^ other.bishops)
        | (one.rooks ^ other.rooks)
        | (one.queens ^ other.queens)
        | (one.kings ^ other.kings)
    )


def look_alikes(
    board: chess.Board, slip: chess.Move, punish: chess.Move, candidates: Iterable[Candidate]
) -> tuple[LookAlike, ...]:
    """Up to two positions in which `slip` is sound, the nearest on the board first.

    `reason` says what has become of the refutation `punish` there, where one differing square carries it.
    """
    ranked = sorted(
        (other for other in candidates if _differing_mask(board, other.board).bit_count() <= MOST_SQUARES),
        key=lambda other: (_differing_mask(board, other.board).bit_count(), len(other.line), other.fen),
    )
    return tuple(
        LookAlike(
            fen=other.fen,
            line=tuple(other.line),
            cp_best=other.cp_best,
            cp_move=other.cp_move,
            squares=differing(board, other.board),
            reason=reason(board, other.board, slip, punish),
        )
        for other in ranked[:SHOWN]
    )


def reason(board: chess.Board, other: chess.Board, slip: chess.Move, punish: chess.Move) -> str:
    """Why `punish` does not refute `slip` in `other`, where one square tells; else nothing."""
    if not other.is_legal(slip):
        return ""
    here, there = board.copy(stack=False), other.copy(stack=False)
    here.push(slip)
    there.push(slip)
    to = chess.square_name(punish.to_square)
    if not there.is_legal(punish):
        blocker = chess.SquareSet(chess.between(punish.from_square, punish.to_square) & there.occupied)
        if (
            here.is_legal(punish)
            and len(blocker) == 1
            and there.piece_at(punish.from_square) == here.piece_at(punish.from_square)
        ):
            square = next(iter(blocker))
            return f"With the {piece_name(there, square)} on {chess.square_name(square)} the way to {to} is closed."
        return ""
    check_here, check_there = here.gives_check(punish), there.gives_check(punish)
    here.push(punish)
    there.push(punish)
    if loot(there, punish.to_square) > 0 and not loot(here, punish.to_square):
        guards = [s for s in there.attackers(there.turn, punish.to_square) if here.piece_at(s) != there.piece_at(s)]
        if len(guards) == 1:
            return (
                f"With the {piece_name(there, guards[0])} on {chess.square_name(guards[0])} the square {to} is covered."
            )
    if check_here and not check_there:
        king = there.king(there.turn)
        if king is not None:
            blocker = chess.SquareSet(chess.between(punish.to_square, king) & there.occupied)
            if len(blocker) == 1:
                square = next(iter(blocker))
                return f"With the {piece_name(there, square)} on {chess.square_name(square)} there is no check on {to}."
    return ""


def move_order_hint(
    board: chess.Board,
    slip: chess.Move,
    candidates: Iterable[Candidate],
    *,
    good: Collection[str] | None = None,
) -> str:
    """Which move must not be delayed, in one sentence; nothing where no neighbouring order shows it.

    `candidates` are as in `look_alikes`: positions where the same `slip` is sound. One of them gives the hint if the
    victim has there already made one move that is legal here as well (and is among `good`, the UCI moves that are
    good here, if they are given), the punisher one move at most, and nothing else differs.
    """
    hints = []
    for other in candidates:
        if other.board.turn != board.turn or not other.board.is_legal(slip):
            continue
        move = _one_move_ahead(board, other.board)
        if move is not None and (good is None or move.uci() in good):
            hints.append((len(other.line), move.uci(), move))
    if not hints:
        return ""
    move = min(hints, key=lambda hint: hint[:2])[2]
    first, then = _speak(board, move), _speak(board, slip)
    return f"The order matters: first {first}, only then {then}."


def _one_move_ahead(board: chess.Board, other: chess.Board) -> chess.Move | None:
    """The victim's move that `other` has seen and `board` has not, if one move of the punisher at most differs too (any
    but en passant, which would take the pawn that has just gone ahead)."""
    mask = _differing_mask(board, other)
    if mask.bit_count() > REACH:
        return None
    origins, targets = mask, chess.BB_ALL
    if not board.chess960:  # there a king may castle onto its own square
        # the man that moved is no longer where it stood, and stands where it went or was taken there
        origins &= ~other.occupied_co[board.turn]
        targets = other.occupied | board.castling_rights  # castling is written as the king taking its rook
    for move in board.generate_legal_moves(origins, targets):
        after = board.copy(stack=False)
        after.push(move)
        gap = _differing_mask(after, other)
        if not gap:
            return move
        if gap.bit_count() <= 4 and any(_leads(after, reply, other) for reply in after.generate_legal_moves(gap, gap)):
            return move
    return None


def _leads(board: chess.Board, move: chess.Move, other: chess.Board) -> bool:
    after = board.copy(stack=False)
    after.push(move)
    return not _differing_mask(after, other)


def _speak(board: chess.Board, move: chess.Move) -> str:
    to = chess.square_name(move.to_square)
    if board.is_castling(move):
        return "castling"
    name = piece_name(board, move.from_square)
    if board.is_capture(move):
        return f"the {name} takes on {to}"
    return f"the {name} {'advances' if name == 'pawn' else 'goes'} to {to}"
