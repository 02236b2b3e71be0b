"""Small pieces of plain English: pieces, squares, lists and numbers as a coach says them."""

from __future__ import annotations

import re
from collections.abc import Sequence

import chess

NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def piece_name(board: chess.Board, square: chess.Square) -> str:
    """'knight' for what stands on `square`."""
    return chess.piece_name(board.piece_type_at(square) or chess.PAWN)


def the_piece(board: chess.Board, square: chess.Square) -> str:
    """'the knight on f6', for what stands on `square`."""
    return f"the {piece_name(board, square)} on {chess.square_name(square)}"


def the_pieces(board: chess.Board, squares: Sequence[chess.Square]) -> str:
    """'the knight on f6 and the pawn on e5'; men of a kind are put together: 'the pawns on b7 and f7'."""
    if len(squares) == 2 and piece_name(board, squares[0]) == piece_name(board, squares[1]):
        one, other = (chess.square_name(square) for square in squares)
        return f"the {piece_name(board, squares[0])}s on {one} and {other}"
    return listed([the_piece(board, square) for square in squares])


def hits(board: chess.Board, squares: Sequence[chess.Square]) -> str:
    """'hits the knight on f6', 'hits the pawns on b7 and f7', 'attacks both the knight on f6 and the pawn on e5'."""
    told = the_pieces(board, squares)
    return f"attacks both {told}" if told.count(" the ") else f"hits {told}"


def listed(parts: Sequence[str]) -> str:
    """'a', 'a and b', 'a, b and c'."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def number(count: int) -> str:
    """A small number as a word."""
    return NUMBERS[count] if 0 <= count < len(NUMBERS) else str(count)


def some(count: int, noun: str) -> str:
    """'a pawn', 'two pawns'."""
    if count == 1:
        return f"an {noun}" if noun[0] in "aeiou" else f"a {noun}"
    return f"{number(count)} {noun}s"


def colour(side: chess.Color) -> str:
    """'White' or 'Black'."""
    return "White" if side else "Black"


_PAWN_MOVE = re.compile(r"[a-h](?:x[a-h])?[1-8]")


def sentence(text: str) -> str:
    """With a capital letter, but where it begins with a pawn's move ("exd5"), and a full stop."""
    text = text.strip()
    if not text:
        return ""
    start = text[0] if _PAWN_MOVE.match(text) else text[0].upper()
    return f"{start}{text[1:]}{'' if text.endswith(('.', '!', '?')) else '.'}"
