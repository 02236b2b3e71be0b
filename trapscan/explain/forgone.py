"""A chance forgone: the slip only lets the other side's last mistake go. The better move comes first."""

from __future__ import annotations

import chess

from trapscan.explain.case import Case, Said
from trapscan.explain.exchange import as_mover, loot
from trapscan.explain.motif import MISSED
from trapscan.explain.motif_lines import pins
from trapscan.explain.refuted import answered
from trapscan.explain.words import piece_name, some, the_piece


def forgone(case: Case) -> Said | None:
    """What the best move would have won, and why it works no longer."""
    square = case.gain.missed
    if square is None or not case.best.moves:
        return None
    first = case.best.moves[0]
    prize = piece_name(case.board, square)
    why = _no_longer(case, first, square)
    if not case.best.is_capture(0) or first.to_square != square:
        would = f"{case.best_san} would have won {some(1, prize)} on {chess.square_name(square)}"
    elif not case.board.attackers(case.side, square):
        would = f"{the_piece(case.board, square)} was free: {case.best_san}"
    elif case.best_san.rstrip("+") in why and " it " not in why:
        would = f"{the_piece(case.board, square)} was there to be taken"
    else:
        would = f"{case.best_san} would have won {some(1, prize)}"
    return Said(f"{would}; {why}", (MISSED,))


def _no_longer(case: Case, best: chess.Move, square: chess.Square) -> str:
    """Why the best move is too late after the slip and its answer."""
    play = case.play
    here, after = play.boards[0], play.boards[1]
    first, to, slip = case.first, play.moves[0].to_square, case.slip
    mover = the_piece(here, best.from_square)
    if slip.from_square == best.from_square:
        return f"after {case.slip_san} the {piece_name(here, slip.to_square)} is no longer there to take it"
    if chess.between(best.from_square, best.to_square) & chess.BB_SQUARES[slip.to_square]:
        return f"now {the_piece(here, slip.to_square)} stands in the way"
    if play.moves[0].from_square == square:
        return f"after {case.slip_san} the {piece_name(case.board, square)} gets away with {first}"
    if len(play) > 1 and play.moves[1] == best:
        return f"after {first} it comes a move too late"
    if (taken := play.taken(0)) is not None and taken[0] == best.from_square:
        return f"{first} takes {mover} first"
    for slider, front, behind in pins(after, case.side):
        if slider == to and front == best.from_square:
            return f"now {first} pins {mover} against {the_piece(after, behind)}"
    guards = after.attacks_mask(to) & chess.BB_SQUARES[square]
    if guards and not here.attacks_mask(play.moves[0].from_square) & chess.BB_SQUARES[square]:
        return f"now {first} guards {chess.square_name(square)}"
    for reply in case.tried.replies:
        if reply.plies == 1 and reply.move == best.uci():
            how, answer, words, lead = answered(case, reply)
            if how == "motif" and not lead:
                return f"after {first} it fails to {answer}, which {words}"
            return f"after {first} it {'allows' if how == 'mate' else 'fails to'} {answer}"
    if not loot(as_mover(after, not case.side), square):
        return f"after {first} the {piece_name(after, square)} is safe"
    return f"{first} comes first now"
