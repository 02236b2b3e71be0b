"""Why a move tempts: one true sentence from what it does on the board."""

from __future__ import annotations

from collections.abc import Iterator

import chess

from trapscan.explain.exchange import as_mover, capture_square, exchange, loot, value_at
from trapscan.explain.motif_lines import pins
from trapscan.explain.move_text import mate_threat, threats
from trapscan.explain.words import piece_name, sentence, the_piece, the_pieces

CENTRE = chess.SquareSet([chess.D4, chess.E4, chess.D5, chess.E5])
_FIRST_RANKS = chess.SquareSet(chess.BB_RANK_1 | chess.BB_RANK_8)
_CORNERS = {
    chess.WHITE: ((chess.C1, chess.B2), (chess.F1, chess.G2)),
    chess.BLACK: ((chess.C8, chess.B7), (chess.F8, chess.G7)),
}
"""Where a bishop begins, and where it may stand once the pawn before that square has moved."""


def why_tempting(board: chess.Board, slip: chess.Move) -> str:
    """One sentence on what speaks most for `slip` at first sight; `board` stands before it. Every piece and square it
    names is there before the move or just after it."""
    return sentence(f"It {next(iter(strengths(board, slip)), _plainly(board, slip))}")


def _plainly(board: chess.Board, slip: chess.Move) -> str:
    """Where nothing speaks for it: what it is."""
    if board.piece_type_at(slip.from_square) == chess.PAWN:
        return "looks like a harmless move of a pawn"
    return f"looks like a harmless move of {_mover(board, slip)}"


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
    """Reasons as verb phrases, the strongest first; the subject is the move. What it takes, threatens or stops comes
    before what it builds."""
    after = _after(board, slip)
    yield from _taking(board, slip)
    if board.is_castling(slip):
        yield "brings the king into safety and the rook into play"
        return
    if board.is_check():
        yield from _meeting_check(board, slip)
    yield from _mate(board, after)
    if after.is_check() and not board.is_capture(slip):
        yield "gives check"
    yield from _threats(board, after, slip)
    yield from _saving(board, after, slip)
    yield from _pinning(board, after, slip)
    yield from _guarding(board, after, slip)
    yield from _building(board, after, slip)


def _taking(board: chess.Board, slip: chess.Move) -> Iterator[str]:
    square = capture_square(board, slip)
    if square is None:
        return
    taken = the_piece(board, square)
    if bool(board.move_stack) and board.peek().to_square == square and _last_took(board):
        yield f"takes back on {chess.square_name(slip.to_square)}"
    elif exchange(board, slip) >= value_at(board, square) and not board.attackers_mask(not board.turn, square):
        yield f"takes {taken}, which looks unprotected"
    elif board.gives_check(slip):
        yield f"takes {taken} with check"
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


def _mate(board: chess.Board, after: chess.Board) -> Iterator[str]:
    """A mate threatened, or one stopped."""
    mine = mate_threat(after, board.turn)
    if mine is not None:
        yield f"threatens mate on {chess.square_name(mine.to_square)}"
    theirs = mate_threat(board, not board.turn)
    if theirs is not None and not board.is_check() and next_mate(after) is None:
        yield f"stops the mate on {chess.square_name(theirs.to_square)}"


def next_mate(board: chess.Board) -> chess.Move | None:
    """A move that mates at once, of the side to move."""
    return mate_threat(board, board.turn)


def _threats(board: chess.Board, after: chess.Board, slip: chess.Move) -> Iterator[str]:
    targets = threats(board, after, slip)
    kind = board.piece_type_at(slip.from_square)
    queens = [square for square in targets if after.piece_type_at(square) == chess.QUEEN]
    if kind == chess.QUEEN and (queens or _facing(after, slip)):
        yield "offers to trade queens"
    elif targets:
        yield _attacking(board, after, slip, targets)
    elif kind == chess.KNIGHT:
        for square in chess.SquareSet(
            after.attacks_mask(slip.to_square) & after.bishops & after.occupied_co[not board.turn]
        ):
            yield f"goes after {the_piece(after, square)}"
            break


def _attacking(board: chess.Board, after: chess.Board, slip: chess.Move, targets: list[chess.Square]) -> str:
    """An attack in words: it is a chase, a gain of time, a raid or a plain attack, by who attacks what."""
    kind, prey = board.piece_type_at(slip.from_square), after.piece_type_at(targets[0])
    named = the_pieces(after, targets[:2])
    home = chess.BB_RANK_1 if board.turn else chess.BB_RANK_8
    if len(targets) > 1:
        return f"attacks {named}"
    if prey == chess.QUEEN:
        return f"gains time by attacking {named}"
    if kind == chess.PAWN and prey != chess.PAWN:
        return f"chases {named}"
    if kind in (chess.KNIGHT, chess.BISHOP) and chess.BB_SQUARES[slip.from_square] & home:
        return f"develops the {chess.piece_name(kind)} with an attack on {named}"
    return f"goes for {named}" if prey == chess.PAWN else f"attacks {named}"


def _facing(after: chess.Board, slip: chess.Move) -> bool:
    """Whether the queen that moved and the other one may take each other."""
    theirs = after.queens & after.occupied_co[after.turn]
    return bool(after.attacks_mask(slip.to_square) & theirs)


def _saving(board: chess.Board, after: chess.Board, slip: chess.Move) -> Iterator[str]:
    kind = board.piece_type_at(slip.from_square)
    if kind == chess.KING or board.is_check():
        return
    enemy = as_mover(board, not board.turn)
    if loot(enemy, slip.from_square) > 0 and loot(after, slip.to_square) == 0:
        yield f"takes {_mover(board, slip)} out of the attack"


def _pinning(board: chess.Board, after: chess.Board, slip: chess.Move) -> Iterator[str]:
    """A pin made, or one of its own side's men freed of one."""
    side = board.turn
    for slider, front, behind in pins(after, side):
        if slider == slip.to_square and after.piece_type_at(front) != chess.PAWN:
            yield f"pins {the_piece(after, front)} against the {piece_name(after, behind)}"
    still = {front for _, front, _ in pins(after, not side)}
    for _, front, _ in pins(board, not side):
        if front in still or front == slip.from_square or board.piece_type_at(front) == chess.PAWN:
            continue
        if after.piece_at(front) == board.piece_at(front):
            yield f"breaks the pin on {the_piece(board, front)}"


def _guarding(board: chess.Board, after: chess.Board, slip: chess.Move) -> Iterator[str]:
    if board.is_check() or board.is_capture(slip):
        return
    enemy_before, enemy_after = as_mover(board, not board.turn), after
    for square in chess.SquareSet(after.attacks_mask(slip.to_square) & after.occupied_co[board.turn] & ~after.kings):
        if loot(enemy_before, square) > 0 and loot(enemy_after, square) == 0:
            yield f"protects {the_piece(after, square)}"


def _building(board: chess.Board, after: chess.Board, slip: chess.Move) -> Iterator[str]:
    kind = board.piece_type_at(slip.from_square)
    if kind == chess.PAWN:
        yield from _by_pawn(board, after, slip)
    else:
        yield from _by_piece(board, after, slip)
    if not board.is_capture(slip) and not board.is_check():
        side = board.turn
        for square in chess.SquareSet(after.attacks_mask(slip.to_square) & after.occupied_co[side] & ~after.kings):
            newly = not board.attacks_mask(slip.from_square) & chess.BB_SQUARES[square]
            if newly and after.attackers_mask(not side, square):
                yield f"lends support to {the_piece(after, square)}"
                break


def _by_pawn(board: chess.Board, after: chess.Board, slip: chess.Move) -> Iterator[str]:
    side, square = board.turn, slip.to_square
    if board.is_capture(slip):
        return
    home = chess.BB_RANK_1 if side else chess.BB_RANK_8
    rank = chess.square_rank(square) if side else 7 - chess.square_rank(square)
    aimed = after.attacks(square)
    told = threats(board, after, slip)  # as an attack
    enemy = [s for s in aimed & chess.SquareSet(after.occupied_co[not side] & after.pawns) if s not in told]
    if enemy and square in CENTRE | chess.SquareSet(chess.BB_FILES[2] | chess.BB_FILES[5]):
        yield f"strikes at {the_piece(after, enemy[0])}"
    elif rank >= 4:
        yield "gains space"
    elif square in CENTRE:
        yield "takes a share of the centre"
    edge = chess.square_file(square) in (0, 7)
    if edge and rank == 2 and not told:
        yield f"keeps enemy pieces away from {chess.square_name(next(iter(aimed)))}"
    for bishop, corner in _CORNERS[side]:
        room = slip.from_square == corner and chess.square_file(square) == chess.square_file(corner)
        if room and after.piece_at(bishop) == chess.Piece(chess.BISHOP, side):
            yield f"makes room on {chess.square_name(corner)} for the bishop"
    for bishop in chess.SquareSet(after.bishops & after.occupied_co[side] & home):
        if (after.attacks_mask(bishop) & ~board.attacks_mask(bishop)).bit_count() > 0:
            yield f"opens the way for the bishop on {chess.square_name(bishop)}"
            break
    for each in aimed & CENTRE:
        if not board.attackers_mask(side, each) & board.pawns:
            yield f"takes {chess.square_name(each)} under control"
            break


def _by_piece(board: chess.Board, after: chess.Board, slip: chess.Move) -> Iterator[str]:
    side, kind = board.turn, board.piece_type_at(slip.from_square)
    home = chess.BB_RANK_1 if side else chess.BB_RANK_8
    to, name = chess.square_name(slip.to_square), piece_name(board, slip.from_square)
    minor = kind in (chess.KNIGHT, chess.BISHOP)
    if minor and chess.BB_SQUARES[slip.from_square] & home:
        aim = [
            square
            for square in after.attacks(slip.to_square) & chess.SquareSet(after.occupied_co[not side] & ~after.kings)
            if square in (CENTRE if after.piece_type_at(square) == chess.PAWN else ~_FIRST_RANKS)
            or square in (chess.F2, chess.F7)
        ]
        if aim:
            best = max(aim, key=lambda square: (value_at(after, square), -square))
            yield f"develops the {name} and aims at {the_piece(after, best)}"
        elif _ready(after, side) and not _ready(board, side):
            yield f"develops the {name} and makes ready to castle"
        else:
            yield f"develops the {name} to {to}"
    if kind == chess.QUEEN:
        yield f"brings the queen into play on {to}"
    if kind in (chess.KNIGHT, chess.BISHOP, chess.ROOK) and not chess.BB_SQUARES[slip.from_square] & home:
        gained = len(after.attacks(slip.to_square)) - len(board.attacks(slip.from_square))
        if slip.to_square in CENTRE:
            yield f"puts the {name} in the centre"
        elif gained > 1:
            yield f"puts the {name} on a more active square, {to}"


def _ready(board: chess.Board, side: chess.Color) -> bool:
    """Whether nothing stands between the king and the rook of its own side."""
    between = chess.BB_SQUARES[chess.F1 if side else chess.F8] | chess.BB_SQUARES[chess.G1 if side else chess.G8]
    return board.has_kingside_castling_rights(side) and not board.occupied & between
