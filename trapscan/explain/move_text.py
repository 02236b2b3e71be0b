"""What a single move of a line does, in words."""

from __future__ import annotations

from collections.abc import Iterator

import chess

from trapscan.explain import captures
from trapscan.explain.exchange import as_mover, loot, value_at
from trapscan.explain.play import Play
from trapscan.explain.words import piece_name, the_piece


def deed(play: Play, index: int, *, quiet: bool = False) -> str:
    """What move `index` does, as a clause: 'the queen takes the pawn on e5 with check'. `quiet` leaves out checks."""
    board, move, after = play.boards[index], play.moves[index], play.boards[index + 1]
    to = chess.square_name(move.to_square)
    mover = f"the {piece_name(board, move.from_square)}"
    taken = play.taken(index)
    check = after.is_check() and not after.is_checkmate() and not quiet
    if board.is_castling(move):
        text = "the king castles"
    elif taken and taken[0] != move.to_square:
        text = f"{mover} takes {the_piece(board, taken[0])} in passing"
    elif taken:
        text = f"{mover} takes {the_piece(board, taken[0])}"
    elif check and not move.promotion and bool(after.checkers_mask() & chess.BB_SQUARES[move.to_square]):
        return f"{mover} checks on {to}"
    else:
        text = f"{mover} {'advances' if play.mover(index) == chess.PAWN else 'goes'} to {to}"
    if move.promotion:
        text += f" and becomes a {chess.piece_name(move.promotion)}"
    return f"{text} with check" if check else text


def mate_threat(board: chess.Board, side: chess.Color) -> chess.Move | None:
    """A move with which `side` would mate at once if it were its turn; None while the other side is in check."""
    mine = as_mover(board, side)
    if board.is_check() and board.turn != side:
        return None
    for move in checks(mine):
        mine.push(move)
        mate = mine.is_checkmate()
        mine.pop()
        if mate:
            return move
    return None


def checks(board: chess.Board) -> Iterator[chess.Move]:
    """The legal moves that give check, and a few that do not, in the order of `legal_moves`: those that go where the
    enemy king, not in check so far, is seen from, or leave such a square; castling and en passant may surprise."""
    king = board.king(not board.turn)
    if king is None:
        return
    if board.is_check():
        yield from board.legal_moves
        return
    lines = captures.queen_reach(king, board.occupied)
    near = lines | chess.BB_KNIGHT_ATTACKS[king]
    shields = lines & board.occupied_co[board.turn]
    for move in board.generate_pseudo_legal_moves():
        start, end = chess.BB_SQUARES[move.from_square], chess.BB_SQUARES[move.to_square]
        told = start & shields or end & near or move.to_square == board.ep_square or board.is_castling(move)
        if told and board.is_legal(move):
            yield move


def threats(board: chess.Board, after: chess.Board, move: chess.Move) -> list[chess.Square]:
    """What the moved piece attacks and its side could take with profit next, and could not before; the king left out;
    the most valuable first."""
    side = board.turn
    past, future = as_mover(board, side), as_mover(after, side)
    aimed = after.attacks_mask(move.to_square)
    for square in chess.SquareSet(aimed & after.occupied_co[side] & (after.bishops | after.rooks | after.queens)):
        # a piece backed up from behind on its own line strikes harder too
        aimed |= after.attacks_mask(square) & chess.ray(move.to_square, square)
    found = [
        square
        for square in chess.SquareSet(aimed & after.occupied_co[not side] & ~after.kings)
        if loot(future, square) > loot(past, square)
    ]
    return sorted(found, key=lambda square: (-value_at(after, square), square))


def piece_or_square(board: chess.Board, square: chess.Square) -> str:
    """'the rook on h6', or 'h6' where nothing stands."""
    return the_piece(board, square) if board.piece_at(square) else chess.square_name(square)
