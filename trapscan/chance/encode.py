"""A position as the net sees it: always from the side to move, Black's ranks flipped (own a1 corner = square 0)."""

from __future__ import annotations

from collections.abc import Sequence

import chess
import numpy as np
import numpy.typing as npt

NO_SQUARE = 64


def side_flip(turn: chess.Color) -> int:
    """What to xor a square with to see it from `turn`."""
    return 0 if turn == chess.WHITE else 56


def squares(board: chess.Board) -> npt.NDArray[np.int64]:
    """(64,): 0 empty, 1-6 own pawn to king, 7-12 theirs."""
    own, theirs = board.occupied_co[board.turn], board.occupied_co[not board.turn]
    kinds = (board.pawns, board.knights, board.bishops, board.rooks, board.queens, board.kings)
    masks = [kind & own for kind in kinds] + [kind & theirs for kind in kinds]
    return _CODES @ _bits(masks, board.turn)


_CODES = np.arange(1, 13, dtype=np.int64)


def castling(board: chess.Board) -> tuple[int, int, int, int]:
    """Own short, own long, their short, their long: 1 while the right is there."""
    us, them = board.turn, not board.turn
    return (
        int(board.has_kingside_castling_rights(us)),
        int(board.has_queenside_castling_rights(us)),
        int(board.has_kingside_castling_rights(them)),
        int(board.has_queenside_castling_rights(them)),
    )


def move_entries(board: chess.Board, moves: Sequence[chess.Move]) -> list[int]:
    """Entries from * 64 + to of the net's output, of legal moves. Castling is the king's two-square move; promotions
    share an entry."""
    flip = side_flip(board.turn)
    targets = [move.to_square for move in moves]
    if board.chess960:  # castling is written as the king taking the rook
        rank = 0 if board.turn else 56
        for i, move in enumerate(moves):
            if board.is_castling(move):
                targets[i] = rank + (6 if board.is_kingside_castling(move) else 2)
    return [(move.from_square ^ flip) * 64 + (target ^ flip) for move, target in zip(moves, targets, strict=True)]


def recent_moves(board: chess.Board, count: int) -> list[tuple[int, int]]:
    """From and to squares of the last `count` moves, latest first, seen from the side to move; NO_SQUARE if unknown."""
    flip = side_flip(board.turn)
    stack = board.move_stack[-count:][::-1]
    known = [(move.from_square ^ flip, move.to_square ^ flip) if move else (NO_SQUARE, NO_SQUARE) for move in stack]
    return known + [(NO_SQUARE, NO_SQUARE)] * (count - len(known))


def marks(board: chess.Board, count: int) -> npt.NDArray[np.float32]:
    """(64, 2 count): from and to square of each of the last `count` moves, latest first."""
    out = np.zeros((NO_SQUARE + 1, 2 * count), np.float32)
    for i, (origin, target) in enumerate(recent_moves(board, count)):
        out[origin, 2 * i] = out[target, 2 * i + 1] = 1
    return out[:NO_SQUARE]


def attackers(board: chess.Board) -> npt.NDArray[np.float32]:
    """(64, 6): how many own pawns, minor pieces, and heavy pieces or kings attack each square; then theirs."""
    masks, columns = [], []
    sides = ((board.occupied_co[board.turn], 0), (board.occupied_co[not board.turn], 3))
    kinds = (board.pawns, board.knights | board.bishops, board.rooks | board.queens | board.kings)
    for side, first in sides:
        for column, kind in enumerate(kinds, first):
            for square in chess.scan_forward(kind & side):
                masks.append(board.attacks_mask(square))
                columns.append(column)
    return _bits(masks, board.turn).T.astype(np.float32) @ _COLUMN[columns]


_COLUMN = np.eye(6, dtype=np.float32)


def _bits(masks: Sequence[int], turn: chess.Color) -> npt.NDArray[np.uint8]:
    """(masks, 64): 1 where a mask has a square, squares seen from the side to move."""
    rows = np.array(masks, "<u8").view(np.uint8).reshape(-1, 8)
    return np.unpackbits(rows if turn else rows[:, ::-1], axis=1, bitorder="little")


def context(board: chess.Board, seconds: float, pool: int) -> npt.NDArray[np.float32]:
    """(12,): castling rights, ply, whether the ply is known, speed, whether the speed is known, rating pool."""
    ply = known_ply(board)
    pools = [float(pool == i) for i in range(4)]
    return np.array(
        [*castling(board), max(ply, 0) / 40, float(ply >= 0), slowness(seconds), float(seconds > 0), *pools], np.float32
    )


def slowness(seconds: float) -> float:
    """Thinking time of a side over 40 moves, by doublings of 600 seconds, a third each; 0 where it is not known."""
    return float(np.log2(np.clip(seconds, 15, 10_000) / 600)) / 3 if seconds > 0 else 0.0


def known_ply(board: chess.Board) -> int:
    """Plies played, or -1 where the board's move number cannot be true (an EPD without counters says move 1)."""
    ply = board.ply()
    if ply <= 1 and not board.move_stack:
        start = chess.Board()
        start.turn = board.turn
        moved = chess.popcount(board.occupied ^ start.occupied)
        if moved > 2 * ply:
            return -1
    return ply
