"""Why a move tempts: one true sentence from what it does on the board."""

from __future__ import annotations

from collections.abc import Iterator

import chess

from trapscan.explain.deeds import mate_threat, threats
from trapscan.explain.exchange import as_mover, capture_square, exchange, loot, value_at
from trapscan.explain.motif_lines import pins
from trapscan.explain.words import piece_name, sentence, the_piece, the_pieces

CENTRE = chess.SquareSet([chess.D4, chess.E4, chess.D5, chess.E5])
_MOST = 2


def why_tempting(board: chess.Board, slip: chess.Move) -> str:
    """One sentence on what speaks for `slip` at first sight, from plain features of the move; `board` stands before
    it. Every piece and square it names is there before the move or just after it."""
    reasons = strengths(board, slip)[:_MOST]
    if not reasons:
        verb = "advances" if board.piece_type_at(slip.from_square) == chess.PAWN else "brings"
        reasons = [f"{verb} {_mover(board, slip)} to {chess.square_name(slip.to_square)}, and no threat is to be seen"]
    comma = "," if len(reasons) > 1 and "," in reasons[0] else ""
    return sentence(f"It {f'{comma} and '.join(reasons)}")


def strengths(board: chess.Board, move: chess.Move) -> list[str]:
    """What speaks for `move`, as verb phrases, the strongest first; all true on the board before or after it."""
    return list(dict.fromkeys(_reasons(board, move)))


def is_poisoned(board: chess.Board, slip: chess.Move) -> bool:
    """Whether the slip takes something that at first sight costs nothing, or carries out a threat that already stood:
    it wins an exchange on its square by count, or it attacks more than one thing. The threat was a bluff."""
    if board.is_capture(slip):
        return exchange(board, slip) >= 0
    after = _after(board, slip)
    if loot(after, slip.to_square) > 0:
        return False
    return len(threats(board, after, slip)) > 1


def _mover(board: chess.Board, move: chess.Move) -> str:
    return f"the {piece_name(board, move.from_square)}"


def _after(board: chess.Board, move: chess.Move) -> chess.Board:
    after = board.copy(stack=False)
    after.push(move)
    return after


def _reasons(board: chess.Board, slip: chess.Move) -> Iterator[str]:
    """Reasons as verb phrases, the strongest first; the subject is the move."""
    after = _after(board, slip)
    side = board.turn
    yield from _taking(board, slip)
    if board.is_castling(slip):
        yield "brings the king into safety and the rook into play"
        return
    if board.is_check():
        yield from _meeting_check(board, slip)
    if after.is_check():
        yield "gives check"
    yield from _threats(board, after, slip)
    yield from _saving(board, after, slip)
    yield from _pinning(after, slip, side)
    yield from _guarding(board, after, slip)
    yield from _building(board, after, slip)


def _taking(board: chess.Board, slip: chess.Move) -> Iterator[str]:
    square = capture_square(board, slip)
    if square is None:
        return
    taken = the_piece(board, square)
    recapture = bool(board.move_stack) and board.peek().to_square == square and _last_took(board)
    net = exchange(board, slip)
    if recapture:
        yield f"takes back on {chess.square_name(slip.to_square)}"
    elif net >= value_at(board, square) and not board.attackers_mask(not board.turn, square):
        yield f"takes {taken}, which looks unprotected"
    elif net >= value_at(board, square):
        yield f"takes {taken}, which seems to cost nothing"
    elif net > 0:
        yield f"takes {taken}, which seems to win material"
    else:
        yield f"takes {taken}"


def _last_took(board: chess.Board) -> bool:
    before = board.copy(stack=1)
    last = before.pop()
    return before.is_capture(last)


def _meeting_check(board: chess.Board, slip: chess.Move) -> Iterator[str]:
    if board.piece_type_at(slip.from_square) == chess.KING:
        yield "takes the king out of check"
    elif not board.is_capture(slip):
        yield "blocks the check"


def _threats(board: chess.Board, after: chess.Board, slip: chess.Move) -> Iterator[str]:
    mate = mate_threat(after, board.turn)
    if mate is not None:
        yield f"threatens mate on {chess.square_name(mate.to_square)}"
    targets = threats(board, after, slip)
    if targets:
        yield f"attacks {the_pieces(after, targets[:2])}"
    elif board.piece_type_at(slip.from_square) == chess.KNIGHT:
        for square in chess.SquareSet(
            after.attacks_mask(slip.to_square) & after.bishops & after.occupied_co[not board.turn]
        ):
            yield f"goes after {the_piece(after, square)}"
            break


def _saving(board: chess.Board, after: chess.Board, slip: chess.Move) -> Iterator[str]:
    kind = board.piece_type_at(slip.from_square)
    if kind in (chess.KING, chess.PAWN) or board.is_check():
        return
    enemy = as_mover(board, not board.turn)
    if loot(enemy, slip.from_square) > 0 and loot(after, slip.to_square) == 0:
        yield f"takes {_mover(board, slip)} out of the attack"


def _pinning(after: chess.Board, slip: chess.Move, side: chess.Color) -> Iterator[str]:
    for slider, front, behind in pins(after, side):
        if slider == slip.to_square and after.piece_type_at(front) != chess.PAWN:
            yield f"pins {the_piece(after, front)} against the {piece_name(after, behind)}"


def _guarding(board: chess.Board, after: chess.Board, slip: chess.Move) -> Iterator[str]:
    if board.is_check() or board.is_capture(slip):
        return
    enemy_before, enemy_after = as_mover(board, not board.turn), after
    for square in chess.SquareSet(after.attacks_mask(slip.to_square) & after.occupied_co[board.turn] & ~after.kings):
        if loot(enemy_before, square) > 0 and loot(enemy_after, square) == 0:
            yield f"protects {the_piece(after, square)}"


def _building(board: chess.Board, after: chess.Board, slip: chess.Move) -> Iterator[str]:
    side, kind = board.turn, board.piece_type_at(slip.from_square)
    home = chess.BB_RANK_1 if side else chess.BB_RANK_8
    to = chess.square_name(slip.to_square)
    if kind in (chess.KNIGHT, chess.BISHOP) and chess.BB_SQUARES[slip.from_square] & home:
        yield f"develops the {piece_name(board, slip.from_square)} to {to}"
    if kind == chess.PAWN and not board.is_capture(slip):
        rank = chess.square_rank(slip.to_square) if side else 7 - chess.square_rank(slip.to_square)
        enemy = [
            square
            for square in after.attacks(slip.to_square) & chess.SquareSet(after.occupied_co[not side])
            if after.piece_type_at(square) == chess.PAWN
        ]
        if enemy and slip.to_square in CENTRE | chess.SquareSet(chess.BB_FILES[2] | chess.BB_FILES[5]):
            yield f"strikes at {the_piece(after, enemy[0])}"
        elif rank >= 4:
            yield "gains space"
        elif slip.to_square in CENTRE:
            yield "takes a share of the centre"
        edge = chess.square_file(slip.to_square) in (0, 7)
        third = chess.square_rank(slip.to_square) == (2 if side else 5)
        if edge and third and not threats(board, after, slip):
            beside = chess.square_name(next(iter(after.attacks(slip.to_square))))
            yield f"keeps enemy pieces away from {beside}"
        for square in chess.SquareSet(after.bishops & after.occupied_co[side] & home):
            if (after.attacks_mask(square) & ~board.attacks_mask(square)).bit_count() > 0:
                yield f"opens the way for the bishop on {chess.square_name(square)}"
                break
    if not board.is_capture(slip) and not board.is_check():
        for square in chess.SquareSet(after.attacks_mask(slip.to_square) & after.occupied_co[side] & ~after.kings):
            newly = not board.attacks_mask(slip.from_square) & chess.BB_SQUARES[square]
            saved = loot(as_mover(board, not side), square) > 0 and loot(after, square) == 0
            if newly and not saved and after.attackers_mask(not side, square):
                yield f"lends support to {the_piece(after, square)}"
                break
    if kind == chess.QUEEN:
        yield f"brings the queen into play on {to}"
    if kind in (chess.KNIGHT, chess.BISHOP, chess.ROOK) and not chess.BB_SQUARES[slip.from_square] & home:
        gained = len(after.attacks(slip.to_square)) - len(board.attacks(slip.from_square))
        if slip.to_square in CENTRE:
            yield f"puts the {piece_name(board, slip.from_square)} in the centre"
        elif gained > 1:
            yield f"puts the {piece_name(board, slip.from_square)} on a more active square, {to}"
