"""Counting material: values, exchanges on one square, and the balance once all captures are played out.

Everything is in pawns (pawn 1, knight 3, bishop 3, rook 5, queen 9; the common school values). A king has no value of
its own here; where it is a target it is told apart by its type.
"""

from __future__ import annotations

import chess

from trapscan.explain import captures

VALUES: dict[chess.PieceType, int] = {
    chess.PAWN: 1,
    chess.KNIGHT: 3,
    chess.BISHOP: 3,
    chess.ROOK: 5,
    chess.QUEEN: 9,
    chess.KING: 0,
}


def value_at(board: chess.Board, square: chess.Square) -> int:
    """The value in pawns of what stands on `square`; 0 for a king or an empty square."""
    kind = board.piece_type_at(square)
    return VALUES[kind] if kind else 0


def balance(board: chess.Board, side: chess.Color) -> int:
    """Material of `side` minus material of the other side, in pawns."""
    return _worth(board, board.occupied_co[side]) - _worth(board, board.occupied_co[not side])


def _worth(board: chess.Board, mask: int) -> int:
    """In one expression, as it is asked for at every node of a captures-only search."""
    return (
        (board.pawns & mask).bit_count()
        + 3 * ((board.knights | board.bishops) & mask).bit_count()
        + 5 * (board.rooks & mask).bit_count()
        + 9 * (board.queens & mask).bit_count()
    )


def taken_by(board: chess.Board, move: chess.Move) -> int:
    """What `move` wins at once, in pawns: the captured piece, and the difference a promotion makes."""
    won = 1 if board.is_en_passant(move) else 0
    if board.color_at(move.to_square) == (not board.turn):
        won = value_at(board, move.to_square)
    if move.promotion:
        won += VALUES[move.promotion] - 1
    return won


def capture_square(board: chess.Board, move: chess.Move) -> chess.Square | None:
    """Where the captured piece stands (en passant: not where the move goes), or None if `move` takes nothing."""
    if board.is_en_passant(move):
        return chess.square(chess.square_file(move.to_square), chess.square_rank(move.from_square))
    return move.to_square if board.is_capture(move) else None


def exchange(board: chess.Board, move: chess.Move) -> int:
    """What the mover nets, in pawns, by `move` and the captures that follow on its square.

    Each side takes back with its least valuable piece that legally can, and stops when going on would cost it.
    """
    won = taken_by(board, move)
    if not board.is_castling(move):
        return won - captures.loot_after(captures.state_of(board), move.from_square, move.to_square, move.promotion)
    board.push(move)
    try:
        return won - loot(board, move.to_square)
    finally:
        board.pop()


def loot(board: chess.Board, square: chess.Square) -> int:
    """What the side to move can net by capturing on `square`: 0 where it cannot or had better not."""
    return captures.loot(captures.state_of(board), square)


def as_mover(board: chess.Board, side: chess.Color) -> chess.Board:
    """A copy of the position, without history, in which it is `side`'s turn: what would it do next?"""
    copy = board.copy(stack=False)
    if copy.turn != side:
        copy.turn = side
        copy.ep_square = None
    return copy


def threat_on(board: chess.Board, square: chess.Square, side: chess.Color) -> int:
    """What `side` would net by capturing on `square` if it were its turn, in pawns."""
    return loot(as_mover(board, side), square)


def settle(board: chess.Board, side: chess.Color) -> tuple[int, tuple[chess.Move, ...]]:
    """The balance for `side` once both have played out the captures and promotions that pay, and those moves.

    Either may stop at any time unless it is in check. Mate on the way counts as 100 pawns. The search is bounded, so
    in wild positions it is an estimate.
    """
    key = captures.state_of(board)
    found = _settled.get(key)
    if found is None:
        if len(_settled) >= _REMEMBERED:
            _settled.clear()
        worth, steps = captures.settle(key)
        found = _settled[key] = worth, tuple(chess.Move(*step) for step in steps)
    value, line = found
    return (value if board.turn == side else -value), line


_REMEMBERED = 20_000
_settled: dict[captures.State, tuple[int, tuple[chess.Move, ...]]] = {}
"""Positions settled before. The slips of one position share its best line and its surroundings, so most are asked about
several times."""
