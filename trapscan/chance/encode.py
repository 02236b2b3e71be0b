"""A position as the net sees it: always from the side to move, Black's ranks flipped (own a1 corner = square 0)."""

from __future__ import annotations

import chess
import numpy as np
import numpy.typing as npt

NO_SQUARE = 64


def side_flip(turn: chess.Color) -> int:
    """What to xor a square with to see it from `turn`."""
    return 0 if turn == chess.WHITE else 56


def squares(board: chess.Board) -> npt.NDArray[np.int64]:
    """(64,): 0 empty, 1-6 own pawn to king, 7-12 theirs."""
    flip = side_flip(board.turn)
    out = np.zeros(64, np.int64)
    for square, piece in board.piece_map().items():
        out[square ^ flip] = piece.piece_type + (0 if piece.color == board.turn else 6)
    return out


def castling(board: chess.Board) -> tuple[int, int, int, int]:
    """Own short, own long, their short, their long: 1 while the right is there."""
    us, them = board.turn, not board.turn
    return (
        int(board.has_kingside_castling_rights(us)),
        int(board.has_queenside_castling_rights(us)),
        int(board.has_kingside_castling_rights(them)),
        int(board.has_queenside_castling_rights(them)),
    )


def move_entry(board: chess.Board, move: chess.Move) -> int:
    """Entry from * 64 + to of the net's output. Castling is the king's two-square move; promotions share an entry."""
    target = move.to_square
    if board.is_castling(move):
        rank = chess.square_rank(move.from_square)
        target = chess.square(6 if board.is_kingside_castling(move) else 2, rank)
    flip = side_flip(board.turn)
    return (move.from_square ^ flip) * 64 + (target ^ flip)


def recent_moves(board: chess.Board, count: int) -> list[tuple[int, int]]:
    """From and to squares of the last `count` moves, latest first, seen from the side to move; NO_SQUARE if unknown."""
    flip = side_flip(board.turn)
    stack = board.move_stack[-count:][::-1]
    known = [(move.from_square ^ flip, move.to_square ^ flip) if move else (NO_SQUARE, NO_SQUARE) for move in stack]
    return known + [(NO_SQUARE, NO_SQUARE)] * (count - len(known))
