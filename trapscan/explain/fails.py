"""Why a slip fails: one true sentence from the leading motif, the squares, and what is won."""

from __future__ import annotations

import chess

from trapscan.explain import motif as m
from trapscan.explain.gain import Gain, phrase
from trapscan.explain.motif import Motif
from trapscan.explain.play import Play
from trapscan.explain.words import listed, number, piece_name, sentence, the_piece


def why_it_fails(play: Play, gain: Gain, motifs: list[Motif]) -> str:
    """One sentence on the refutation `play` (the punisher's reply first), led by the first of `motifs`."""
    if not play.moves:
        return ""
    told = ""
    for motif in motifs:
        told = _tell(play, motif)
        if told:
            break
    if not told:
        told = deed(play, 0)
    return sentence(f"{told}{_outcome(play, gain)}")


def deed(play: Play, index: int) -> str:
    """What move `index` does, as a clause: 'the queen takes the pawn on e5 with check'."""
    board, move, after = play.boards[index], play.moves[index], play.boards[index + 1]
    to = chess.square_name(move.to_square)
    mover = f"the {piece_name(board, move.from_square)}"
    taken = play.taken(index)
    check = after.is_check() and not after.is_checkmate()
    if board.is_castling(move):
        text = "the king castles"
    elif taken:
        text = f"{mover} takes {the_piece(board, taken[0])}"
    elif check and bool(after.checkers_mask() & chess.BB_SQUARES[move.to_square]):
        return f"{mover} checks on {to}"
    else:
        text = f"{mover} goes to {to}"
    if move.promotion:
        text += f" and becomes a {chess.piece_name(move.promotion)}"
    return f"{text} with check" if check else text


def _tell(play: Play, motif: Motif) -> str:
    """The motif as a clause, or nothing where it needs no telling or cannot be put in one."""
    index = motif.ply - 1
    after = play.boards[index + 1]
    lead = _lead_in(play, index)
    if motif.name in (m.FORK, m.DOUBLE_ATTACK, m.CHECK_WINS_PIECE, m.CHECK_WINS_PAWN):
        king = [square for square in motif.targets if after.piece_type_at(square) == chess.KING]
        others = [square for square in motif.targets if square not in king]
        names = listed([the_piece(after, square) for square in others[:3]])
        if after.is_check() and names:
            return f"{lead}{deed(play, index)} and attacks {names} at the same time"
        return f"{lead}{deed(play, index)} and attacks {names} at once"
    return ""


def _lead_in(play: Play, index: int) -> str:
    if index == 0:
        return ""
    return f"after {play.boards[0].san(play.moves[0])} {play.boards[1].san(play.moves[1])} "


def _outcome(play: Play, gain: Gain) -> str:
    if gain.kind == "mate":
        if gain.mate == 1:
            return ", and that is mate"
        return f", with mate in {number(gain.mate)}"
    if gain.kind == "attack":
        return ""
    return f", so {phrase(gain)} is lost"
