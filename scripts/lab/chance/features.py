"""Hand-written features of a move, for the conditional logit that the net has to beat. From board rules alone."""

from __future__ import annotations

import chess
import numpy as np
import numpy.typing as npt

NAMES = (
    "captures", "value taken", "takes higher", "recaptures", "unsafe by", "flees attack", "check", "castles",
    "loses castling", "develops minor", "pawn to centre", "two-square pawn", "edge pawn", "king moves", "queen early",
    "moves back", "same piece again", "attacks higher", "promotes", "to centre", "forward", "defends",
)  # fmt: skip
VALUES = {chess.PAWN: 1, chess.KNIGHT: 3, chess.BISHOP: 3, chess.ROOK: 5, chess.QUEEN: 9, chess.KING: 20}
_CENTRE = chess.SquareSet(chess.BB_CENTER)


def move_features(board: chess.Board, move: chess.Move) -> npt.NDArray[np.float64]:
    """(len(NAMES),) plain numbers of about unit size."""
    us, piece = board.turn, board.piece_type_at(move.from_square) or chess.PAWN
    own, target = VALUES[piece], move.to_square
    victim = board.piece_type_at(target) or (chess.PAWN if board.is_en_passant(move) else None)
    taken = VALUES[victim] if victim else 0
    last = board.peek() if board.move_stack else None
    attacked, guarded = board.is_attacked_by(not us, target), len(board.attackers(us, target)) > 1
    cheapest = min((VALUES[board.piece_type_at(s) or 6] for s in board.attackers(not us, target)), default=99)
    risk = 0 if not attacked else own - taken if not guarded else max(0, own - cheapest - taken)
    home, ahead = (0, 1) if us else (7, -1)
    rank, file = chess.square_rank(target), chess.square_file(target)
    step = (rank - chess.square_rank(move.from_square)) * ahead
    board.push(move)
    hits = [VALUES[board.piece_type_at(s) or 1] for s in board.attacks(target) & board.occupied_co[not us]]
    covers = len(board.attacks(target) & board.occupied_co[us])
    check = board.is_check()
    board.pop()
    minor = piece in (chess.KNIGHT, chess.BISHOP)
    castles = board.is_castling(move)
    return np.array(
        [
            taken > 0, taken / 5, taken > own, bool(taken and last and last.to_square == target), max(0, risk) / 5,
            board.is_attacked_by(not us, move.from_square) * own / 5, check, castles,
            piece == chess.KING and board.has_castling_rights(us) and not castles,
            minor and chess.square_rank(move.from_square) == home,
            piece == chess.PAWN and target in _CENTRE, piece == chess.PAWN and abs(step) == 2,
            piece == chess.PAWN and file in (0, 7), piece == chess.KING and not castles,
            piece == chess.QUEEN and board.fullmove_number < 8, step < 0,
            len(board.move_stack) > 1 and board.move_stack[-2].to_square == move.from_square,
            max([h - own for h in hits if h > own], default=0) / 5, move.promotion is not None,
            (3.5 - max(abs(file - 3.5), abs(rank - 3.5))) / 3, step / 3, covers / 4,
        ],
        float,
    )  # fmt: skip


def table(board: chess.Board, moves: list[chess.Move], level: float) -> npt.NDArray[np.float64]:
    """(moves, 3 len(NAMES)): the features, times level, times phase."""
    plain = np.array([move_features(board, move) for move in moves])
    return np.hstack([plain, plain * (level - 1600) / 500, plain * (board.ply() - 15) / 15])
