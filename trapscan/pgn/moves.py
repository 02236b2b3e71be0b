"""The commonest moves, read and made three times as fast as python-chess does, which does all others.

Reading game files is reading and making moves, nearly all of them plain: one man of the kind can go there, and nothing
but it and what it takes changes. python-chess, which finds every legal move first and remembers the way back, stays
the judge: tests/pgn holds both functions to it.
"""

from __future__ import annotations

from functools import lru_cache

import chess


def play(board: chess.Board, move: chess.Move) -> None:
    """`board.push` of a legal move for those who never go back: the stack does not hold it."""
    source, target = chess.BB_SQUARES[move.from_square], chess.BB_SQUARES[move.to_square]
    pawn = board.pawns & source
    if move.promotion or board.kings & source or (pawn and move.to_square == board.ep_square):
        board.push(move)
        board.clear_stack()
        return
    turn, rest = board.turn, ~(source | target)
    taken = board.occupied & target
    knight, bishop, rook, queen = board.knights & source, board.bishops & source, board.rooks & source, 0
    if not (pawn or knight or bishop or rook):
        queen = target
    board.pawns = board.pawns & rest | (target if pawn else 0)
    board.knights = board.knights & rest | (target if knight else 0)
    board.bishops = board.bishops & rest | (target if bishop else 0)
    board.rooks = board.rooks & rest | (target if rook else 0)
    board.queens = board.queens & rest | queen
    board.promoted = board.promoted & rest | (target if board.promoted & source else 0)
    board.occupied = board.occupied & rest | target
    board.occupied_co[turn] = board.occupied_co[turn] & rest | target
    board.occupied_co[not turn] &= rest
    board.castling_rights &= rest
    far = pawn and abs(move.to_square - move.from_square) == 16
    board.ep_square = (move.from_square + move.to_square) // 2 if far else None
    board.halfmove_clock = 0 if pawn or taken else board.halfmove_clock + 1
    board.fullmove_number += not turn
    board.turn = not turn


@lru_cache(maxsize=20_000)
def _shape(san: str) -> tuple[int, int, int] | None:
    """Piece, squares it may come from, and target; None for castling, promotions and all that is seldom written."""
    match = chess.SAN_REGEX.match(san)
    if not match or match[5]:
        return None
    target = chess.SQUARE_NAMES.index(match[4])
    allowed = chess.BB_ALL
    if match[2]:
        allowed &= chess.BB_FILES[chess.FILE_NAMES.index(match[2])]
    if match[3]:
        allowed &= chess.BB_RANKS[int(match[3]) - 1]
    if match[1]:
        return chess.PIECE_SYMBOLS.index(match[1].lower()), allowed, target
    if match[3] or target // 8 in (0, 7):
        return None
    if not match[2]:
        allowed = chess.BB_FILES[target % 8]
    return chess.PAWN, allowed, target


def plain_move(board: chess.Board, san: str) -> chess.Move | None:
    """The move where one man alone can make it and the king is safe afterwards; None leaves the word to python-chess.

    Where it gives a move, `Board.parse_san` gives the same.
    """
    shape = _shape(san)
    if shape is None:
        return None
    piece, allowed, to_square = shape
    turn, occupied, target = board.turn, board.occupied, chess.BB_SQUARES[to_square]
    ours = board.occupied_co[turn]
    king = board.kings & ours
    if ours & target or not king or king & (king - 1):
        return None
    if piece == chess.PAWN:
        men = board.pawns & ours & allowed
        if occupied & target:
            men &= chess.BB_PAWN_ATTACKS[not turn][to_square]
        elif not allowed & target:
            return None  # en passant, or nothing to take
        elif turn:
            behind = target >> 8
            men &= behind if men & behind or occupied & behind else behind >> 8 & chess.BB_RANK_2
        else:
            behind = target << 8
            men &= behind if men & behind or occupied & behind else behind << 8 & chess.BB_RANK_7
    else:
        men = _reaching(piece, to_square, occupied) & _of_kind(board, piece) & ours & allowed
    if not men or men & (men - 1):
        return None
    here = to_square if piece == chess.KING else king.bit_length() - 1
    theirs, after = board.occupied_co[not turn] & ~target, occupied & ~men | target
    if (
        _reaching(chess.BISHOP, here, after) & (board.bishops | board.queens) & theirs
        or _reaching(chess.ROOK, here, after) & (board.rooks | board.queens) & theirs
        or chess.BB_KNIGHT_ATTACKS[here] & board.knights & theirs
        or chess.BB_PAWN_ATTACKS[turn][here] & board.pawns & theirs
        or chess.BB_KING_ATTACKS[here] & board.kings & theirs
    ):
        return None
    return chess.Move(men.bit_length() - 1, to_square)


def _of_kind(board: chess.Board, piece: int) -> int:
    return (board.pawns, board.knights, board.bishops, board.rooks, board.queens, board.kings)[piece - 1]


def _reaching(piece: int, square: int, occupied: int) -> int:
    """Squares from which a piece (no pawn) attacks this one."""
    if piece == chess.KNIGHT:
        return chess.BB_KNIGHT_ATTACKS[square]
    if piece == chess.KING:
        return chess.BB_KING_ATTACKS[square]
    squares = 0
    if piece != chess.ROOK:
        squares = chess.BB_DIAG_ATTACKS[square][chess.BB_DIAG_MASKS[square] & occupied]
    if piece != chess.BISHOP:
        squares |= chess.BB_RANK_ATTACKS[square][chess.BB_RANK_MASKS[square] & occupied]
        squares |= chess.BB_FILE_ATTACKS[square][chess.BB_FILE_MASKS[square] & occupied]
    return squares
