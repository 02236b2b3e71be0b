"""Start positions: from the tags of a game, or from a FEN by itself, put right where that is possible."""

from __future__ import annotations

from collections.abc import Callable

import chess

from trapscan.pgn.text import printable

STANDARD_VARIANTS = frozenset({"", "chess", "standard", "normal", "from position", "classical", "orthodox"})
CHESS960_VARIANTS = frozenset({"chess960", "chess 960", "960", "fischerandom", "fischerrandom", "fischer random"})

_REFUSED = (
    (chess.STATUS_NO_WHITE_KING, "White has no king"),
    (chess.STATUS_NO_BLACK_KING, "Black has no king"),
    (chess.STATUS_TOO_MANY_KINGS, "a side has more than one king"),
    (chess.STATUS_TOO_MANY_WHITE_PAWNS, "White has more than eight pawns"),
    (chess.STATUS_TOO_MANY_BLACK_PAWNS, "Black has more than eight pawns"),
    (chess.STATUS_PAWNS_ON_BACKRANK, "a pawn stands on the first or last rank"),
    (chess.STATUS_TOO_MANY_WHITE_PIECES, "White has more than sixteen men"),
    (chess.STATUS_TOO_MANY_BLACK_PIECES, "Black has more than sixteen men"),
    (chess.STATUS_OPPOSITE_CHECK, "the side that has just moved is in check"),
    (chess.STATUS_EMPTY, "the board is empty"),
    (chess.STATUS_RACE_CHECK | chess.STATUS_RACE_OVER | chess.STATUS_RACE_MATERIAL, "not a position of chess"),
    (chess.STATUS_TOO_MANY_CHECKERS, "more pieces give check than any move could bring about"),
    (chess.STATUS_IMPOSSIBLE_CHECK, "no move could have given this check"),
)


class Refused(Exception):
    """A start position that cannot be used; the text says why. Never leaves the room that asked."""


class OtherVariant(Exception):
    """A game of another variant than standard chess; the text names it. Never leaves the room that asked."""


def start_of(fen: str, variant: str, note: Callable[[str], object]) -> str:
    """The full FEN of the position in which a game with these FEN and Variant tags (empty: none) begins.

    `note` is told what was put right. Raises OtherVariant, or Refused where no chess can be played from the position.
    """
    variant = variant.strip().lower()
    if variant not in STANDARD_VARIANTS | CHESS960_VARIANTS:
        raise OtherVariant(f"variant {printable(variant)} is not supported; trapscan reads standard chess")
    if fen:
        return start_position(fen, note, chess960=variant in CHESS960_VARIANTS)
    if variant in CHESS960_VARIANTS:
        raise Refused("a Chess960 game needs a FEN tag")
    return chess.STARTING_FEN


def start_position(fen: str, note: Callable[[str], object], *, chess960: bool = False) -> str:
    """The full FEN of a start position, put right where that is possible (`note` is told).

    `chess960`: the game says that it is Chess960; it is accepted where its castling rights are those of standard
    chess. Raises Refused where the position is not one that chess can be played from.
    """
    if len(fen) > 200:
        raise Refused("the FEN is too long to be a position")
    try:
        board = chess.Board(fen, chess960=chess960)
    except ValueError as exc:
        raise Refused(f"not a FEN: {printable(fen)}") from exc
    if chess960:
        if board.has_chess960_castling_rights():
            raise Refused("castling rights of Chess960 are not supported")
        board.chess960 = False
    status = board.status()
    for flags, text in _REFUSED:
        if status & flags:
            raise Refused(f"illegal position: {text}")
    if status & chess.STATUS_BAD_CASTLING_RIGHTS:
        note("the FEN claims castling rights that king and rooks do not have in standard chess: they are left out")
        board.castling_rights = board.clean_castling_rights()
    if status & chess.STATUS_INVALID_EP_SQUARE:
        note("the FEN names an en passant square that no pawn has just passed: it is left out")
        board.ep_square = None
    if not any(board.legal_moves):
        over = "checkmate" if board.is_check() else "stalemate"
        raise Refused(f"the game is over at its start: {over}")
    return board.fen()
