"""Motifs of mate and promotion."""

from __future__ import annotations

from collections.abc import Iterator

import chess

from trapscan.explain import motif as m
from trapscan.explain.motif import Motif
from trapscan.explain.play import Play


def _mated(play: Play) -> chess.Square | None:
    """The mated king's square, if the line ends with the punisher's mate."""
    if play.end.is_checkmate() and play.end.turn != play.side:
        return play.end.king(play.end.turn)
    return None


def _around(square: chess.Square) -> chess.SquareSet:
    return chess.SquareSet(chess.BB_KING_ATTACKS[square])


def back_rank(play: Play) -> Iterator[Motif]:
    """Back-rank mate: a rook or queen mates along the king's own first rank, and nothing but the king's own men, on
    every square in front of it, shuts it in: the attackers cover none of these squares."""
    king = _mated(play)
    if king is None:
        return
    end = play.end
    rank = chess.square_rank(king)
    if rank != (0 if end.turn else 7):
        return
    heavy = chess.SquareSet(end.checkers_mask() & (end.rooks | end.queens) & chess.BB_RANKS[rank])
    front = _around(king) & chess.SquareSet(chess.BB_RANKS[1 if end.turn else 6])
    own = chess.SquareSet(end.occupied_co[end.turn])
    if heavy and not front - own and not any(end.attackers_mask(play.side, square) for square in front):
        yield Motif(m.BACK_RANK, len(play), next(iter(heavy)), (king,), len(play))


def smothered(play: Play) -> Iterator[Motif]:
    """Smothered mate: a knight mates a king shut in on every side by its own men."""
    king = _mated(play)
    if king is None:
        return
    end = play.end
    knights = chess.SquareSet(end.checkers_mask() & end.knights)
    if knights and not _around(king) & ~chess.SquareSet(end.occupied_co[end.turn]):
        yield Motif(m.SMOTHERED, len(play), next(iter(knights)), (king,), len(play))


def mating_net(play: Play) -> Iterator[Motif]:
    """Mating net: the line ends in mate."""
    king = _mated(play)
    if king is not None:
        yield Motif(m.MATING_NET, 1, play.moves[-1].to_square, (king,), len(play))


def weak_f7(play: Play) -> Iterator[Motif]:
    """Weak f7: a piece of White's takes the pawn that only the king guards at the start of a game, while the king still
    stands on its first square."""
    yield from _weak(play, chess.WHITE, m.WEAK_F7, chess.F7, chess.E8)


def weak_f2(play: Play) -> Iterator[Motif]:
    """Weak f2: the same of White's king."""
    yield from _weak(play, chess.BLACK, m.WEAK_F2, chess.F2, chess.E1)


def _weak(play: Play, side: chess.Color, name: str, goal: chess.Square, home: chess.Square) -> Iterator[Motif]:
    if play.side != side:
        return
    for index in play.own():
        if play.taken(index) == (goal, chess.PAWN) and play.boards[index].king(not side) == home:
            yield Motif(name, index + 1, goal, (goal, home), index + 1)
            return


def promotion(play: Play) -> Iterator[Motif]:
    """Promotion: a pawn of the punisher becomes a piece."""
    for index in play.own():
        if play.moves[index].promotion:
            yield Motif(m.PROMOTION, index + 1, play.moves[index].to_square, (play.moves[index].to_square,), index + 1)


# --- words -----------------------------------------------------------------------------------------------------------


def tell_smothered(play: Play, motif: Motif) -> str:
    return "is a smothered mate" if motif.paid else ""


def tell_back_rank(play: Play, motif: Motif) -> str:
    return "mates on the back rank" if motif.paid else ""


def tell_mating_net(play: Play, motif: Motif) -> str:
    moves = (len(play) + 1) // 2
    if not motif.paid or moves > 3:
        return ""
    return "is mate" if moves == 1 else f"mates: {play.sans(1, len(play))}"


def tell_weak(play: Play, motif: Motif) -> str:
    board, goal = play.boards[motif.ply - 1], motif.targets[0]
    if board.attackers_mask(not play.side, goal) & ~board.kings:
        return f"takes the pawn on {chess.square_name(goal)}, next to the king"
    return "takes the pawn that only the king guards"


def tell_promotion(play: Play, motif: Motif) -> str:
    return "promotes the pawn"
