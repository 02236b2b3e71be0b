"""Replies that give something up, which an engine looks at late: a sign that a tactic may be hidden. Pure."""

from __future__ import annotations

from collections.abc import Iterator

import chess

WORTH = {chess.PAWN: 1, chess.KNIGHT: 3, chess.BISHOP: 3, chess.ROOK: 5, chess.QUEEN: 9, chess.KING: 0}
"""What is given for what, in pawns."""


def offers(board: chess.Board) -> Iterator[str]:
    """Captures and checks (UCI) after which the piece that moved can be taken for less than it is worth: by a cheaper
    piece, or with no second piece to take back; and those that leave a greater piece to be taken, in order."""
    for move in sorted(board.legal_moves, key=chess.Move.uci):
        if not board.is_capture(move) and not board.gives_check(move):
            continue
        piece, taken = board.piece_type_at(move.from_square), board.piece_type_at(move.to_square)
        given = WORTH[piece or chess.PAWN] - WORTH[taken or chess.PAWN] * board.is_capture(move)
        if given > 0 and board.is_attacked_by(not board.turn, move.to_square):
            yield move.uci()
