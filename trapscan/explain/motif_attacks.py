"""Motifs of attack: fork and double attack, checks that win something, discoveries, trapped pieces."""

from __future__ import annotations

from collections.abc import Iterator

import chess

from trapscan.explain import motif as m
from trapscan.explain.exchange import as_mover, exchange, loot, taken_by, value_at
from trapscan.explain.motif import Motif
from trapscan.explain.move_text import threats
from trapscan.explain.play import Play
from trapscan.explain.words import hits, the_piece, the_pieces


def prey(board: chess.Board, actor: chess.Square, side: chess.Color) -> list[chess.Square]:
    """The enemy men that the piece of `side` on `actor` attacks to some purpose, the most valuable first: the king,
    and whatever it would win something by taking, if it were its turn."""
    found: list[tuple[int, chess.Square]] = []
    mine = as_mover(board, side)
    for square in board.attacks(actor) & chess.SquareSet(board.occupied_co[not side]):
        if board.piece_type_at(square) == chess.KING:
            found.append((100, square))
            continue
        move = chess.Move(actor, square)
        if board.piece_type_at(actor) == chess.PAWN and chess.square_rank(square) in (0, 7):
            move.promotion = chess.QUEEN
        if exchange(mine, move) > 0 and mine.is_legal(move):
            found.append((value_at(board, square), square))
    return [square for _, square in sorted(found, key=lambda item: (-item[0], item[1]))]


def fork(play: Play) -> Iterator[Motif]:
    """Fork: one piece moves to where it attacks two or more enemy pieces at once (pawns do not count), each of them
    the king or something it can take with profit, while no enemy man but the king bears on it (nor can the king take
    it), so that it cannot be got rid of. It also counts where it may be taken, if it attacks something worth more than
    itself and the line shows the profit, and where the king is not among the targets, if the piece itself then takes.
    A double check is a motif of its own. The line must go on after it."""
    for index in play.own():
        move, after = play.moves[index], play.boards[index + 1]
        if index + 1 >= len(play) or after.checkers_mask().bit_count() > 1:
            continue
        pieces = [t for t in prey(after, move.to_square, play.side) if after.piece_type_at(t) != chess.PAWN]
        if len(pieces) < 2 or loot(after, move.to_square) > 0:
            continue
        paid, by_actor = _collected(play, index, pieces)
        attacked = bool(after.attackers_mask(not play.side, move.to_square) & ~after.kings)
        if attacked:
            royal = any(after.piece_type_at(t) == chess.KING for t in pieces)
            bigger = any(value_at(after, t) > value_at(after, move.to_square) for t in pieces)
            takeable = any(after.generate_legal_captures(chess.BB_ALL, chess.BB_SQUARES[move.to_square]))
            if paid and by_actor:
                if royal or not takeable:
                    continue
            elif not bigger or (not paid and (not royal or play.end.is_checkmate())):
                continue
        elif paid and not by_actor and not any(value_at(after, t) > value_at(after, move.to_square) for t in pieces):
            continue
        yield Motif(m.FORK, index + 1, move.to_square, tuple(pieces), paid)


def double_attack(play: Play) -> Iterator[Motif]:
    """Double attack: a piece moves to where it attacks two things at once, the king or men that can be taken with
    profit (by it, or by a piece that it backs up), and one of them is taken with one of the next two moves. Where it is
    not the queen, attacks on two pieces or the king are forks, and only those with a pawn among them count here."""
    for index in play.own():
        if index + 2 >= len(play):
            continue
        square, after = play.moves[index].to_square, play.boards[index + 1]
        targets = prey(after, square, play.side)
        targets += [t for t in threats(play.boards[index], after, play.moves[index]) if t not in targets]
        if len(targets) < 2 or loot(after, square) > 0:
            continue
        if play.mover(index) != chess.QUEEN and sum(after.piece_type_at(t) != chess.PAWN for t in targets) > 1:
            continue
        for later in range(index + 2, min(index + 5, len(play)), 2):
            taken = play.taken(later)
            if taken and taken[0] in targets:
                yield Motif(m.DOUBLE_ATTACK, index + 1, square, tuple(targets), later + 1)
                break


def check_wins_piece(play: Play) -> Iterator[Motif]:
    """Check that wins a piece: the checking piece also attacks a piece that it can take with profit, the check leaves
    no time to save it, and it is taken with that piece's next move."""
    yield from _winning_check(play, m.CHECK_WINS_PIECE, pawn=False)


def check_wins_pawn(play: Play) -> Iterator[Motif]:
    """Check that wins a pawn: the same with a pawn."""
    yield from _winning_check(play, m.CHECK_WINS_PAWN, pawn=True)


def _winning_check(play: Play, name: str, *, pawn: bool) -> Iterator[Motif]:
    for index in play.own():
        move, after = play.moves[index], play.boards[index + 1]
        if not after.is_check() or after.is_checkmate() or index + 2 >= len(play):
            continue
        if not after.checkers_mask() & chess.BB_SQUARES[move.to_square]:
            continue
        targets = prey(after, move.to_square, play.side)
        taken = play.taken(index + 2)
        if taken is None or play.moves[index + 2].from_square != move.to_square or taken[0] not in targets:
            continue
        if pawn == (taken[1] == chess.PAWN):
            yield Motif(name, index + 1, move.to_square, (taken[0],), index + 3)


def _collected(play: Play, index: int, targets: list[chess.Square]) -> tuple[int, bool]:
    """(ply, whether by the piece that made move `index`) at which one of `targets` falls within the next two moves,
    wherever it has gone by then; (0, False) if none does."""
    actor = play.moves[index].to_square
    for later in range(index + 2, min(index + 5, len(play)), 2):
        taken = play.taken(later)
        if taken and any(play.where(target, index + 1, later) == taken[0] for target in targets):
            return later + 1, play.where(actor, index + 1, later) == play.moves[later].from_square
    return 0, False


def discovered(play: Play) -> Iterator[Motif]:
    """Discovered attack: a piece steps off a line and so lets a rook, bishop or queen behind it attack something: the
    king, or a piece that it takes with its next move where it stands. A double check is a motif of its own."""
    for index in play.own():
        after = play.boards[index + 1]
        if after.checkers_mask().bit_count() > 1:
            continue
        for slider, target in opened(play, index):
            if after.piece_type_at(target) == chess.KING:
                yield Motif(m.DISCOVERED_ATTACK, index + 1, slider, (target,), index + 1)
                continue
            if index + 2 >= len(play) or play.moves[index + 2].from_square != slider:
                continue
            taken = play.taken(index + 2)
            if taken and taken[0] == target == play.where(target, index + 1, index + 2) and taken[1] != chess.PAWN:
                yield Motif(m.DISCOVERED_ATTACK, index + 1, slider, (target,), index + 3)


def discovered_check(play: Play) -> Iterator[Motif]:
    """Discovered check: the move gives check with a piece that did not move, because the piece that moved stood in its
    way (it may check as well; the rook that castles does not count)."""
    for index in play.own():
        after = play.boards[index + 1]
        if play.boards[index].is_castling(play.moves[index]):
            continue
        others = chess.SquareSet(after.checkers_mask() & ~chess.BB_SQUARES[play.moves[index].to_square])
        for square in others:
            king = after.king(after.turn)
            assert king is not None
            yield Motif(m.DISCOVERED_CHECK, index + 1, square, (king,), index + 1)


def double_check(play: Play) -> Iterator[Motif]:
    """Double check: two pieces check at once."""
    for index in play.own():
        after = play.boards[index + 1]
        if after.checkers_mask().bit_count() > 1:
            king = after.king(after.turn)
            assert king is not None
            yield Motif(m.DOUBLE_CHECK, index + 1, play.moves[index].to_square, (king,), index + 1)


def opened(play: Play, index: int) -> Iterator[tuple[chess.Square, chess.Square]]:
    """(slider, target) for each attack of the punisher that move `index` opens by leaving its square."""
    before, after, move = play.boards[index], play.boards[index + 1], play.moves[index]
    if before.is_castling(move):
        return
    sliders = (after.bishops | after.rooks | after.queens) & after.occupied_co[play.side]
    for slider in chess.SquareSet(sliders & ~chess.BB_SQUARES[move.to_square]):
        fresh = after.attacks_mask(slider) & ~before.attacks_mask(slider) & after.occupied_co[not play.side]
        for target in chess.SquareSet(fresh):
            if chess.between(slider, target) & chess.BB_SQUARES[move.from_square]:
                yield slider, target


def slip_took(play: Play, square: chess.Square) -> int:
    """What the move before the line took on `square`, in pawns; 0 where it went elsewhere, took nothing, or is not
    known."""
    board = play.boards[0]
    if not board.move_stack or board.peek().to_square != square:
        return 0
    before = board.copy(stack=1)
    slip = before.pop()
    return taken_by(before, slip)


def trapped(play: Play) -> Iterator[Motif]:
    """Trapped piece: a knight, bishop, rook or queen is attacked, wherever it goes it is lost as well, and the line
    takes it. A piece that may not move because it is pinned or its king is in check is not meant."""
    for index in play.own():
        taken = play.taken(index)
        if index < 2 or taken is None or taken[1] == chess.PAWN:
            continue
        square, kind = taken
        start = index - 1
        attacked = play.boards[start]
        origin = square
        if play.moves[start].to_square == square:
            origin = play.moves[start].from_square
        if attacked.piece_type_at(origin) != kind or attacked.is_check() or attacked.is_pinned(attacked.turn, origin):
            continue
        if exchange(play.boards[index], play.moves[index]) <= 0:
            continue
        if _no_way_out(attacked, origin, play.side):
            start = _trapped_since(play, start, origin)
            yield Motif(m.TRAPPED, start, play.moves[start - 1].to_square, (origin,), index + 1)


def _trapped_since(play: Play, start: int, square: chess.Square) -> int:
    """The ply from which on the piece on `square`, trapped at ply `start`, has stood there without a way out: it may be
    taken only when there is nothing better to do."""
    while start > 2:
        earlier = play.boards[start - 2]
        stayed = play.where(square, start - 2, start) == square and earlier.color_at(square) == earlier.turn
        if not stayed or earlier.is_check() or not _no_way_out(earlier, square, play.side):
            break
        start -= 2
    return start


def _no_way_out(board: chess.Board, square: chess.Square, hunter: chess.Color) -> bool:
    """Whether the piece on `square`, of the side to move, is attacked with profit and lost on every square it can
    reach, even counting what it takes on the way."""
    if loot(as_mover(board, hunter), square) <= 0:
        return False
    for move in board.generate_legal_moves(chess.BB_SQUARES[square]):
        won = taken_by(board, move)
        board_after = board.copy(stack=False)
        board_after.push(move)
        if won - loot(board_after, move.to_square) >= 0:
            return False
    return True


# --- words -----------------------------------------------------------------------------------------------------------


def tell_fork(play: Play, motif: Motif) -> str:
    after = play.boards[motif.ply]
    others = [square for square in motif.targets if after.piece_type_at(square) != chess.KING]
    if not others:
        return ""
    check = after.is_check() and bool(after.checkers_mask() & chess.BB_SQUARES[motif.actor])
    forks = motif.name == m.FORK and play.mover(motif.ply - 1) != chess.QUEEN
    if check:
        verb = "forks the king and" if forks else "checks and hits"
        return f"{verb} {the_piece(after, others[0])}"
    if len(others) < 2:
        return ""
    return f"forks {the_pieces(after, others[:2])}" if forks else hits(after, others[:2])


def tell_discovered(play: Play, motif: Motif) -> str:
    after = play.boards[motif.ply]
    (target,) = motif.targets
    if after.piece_type_at(target) == chess.KING:
        return tell_discovered_check(play, motif)
    return f"uncovers {the_piece(after, motif.actor)} against {the_piece(after, target)}"


def tell_discovered_check(play: Play, motif: Motif) -> str:
    return f"uncovers a check from {the_piece(play.boards[motif.ply], motif.actor)}"


def tell_double_check(play: Play, motif: Motif) -> str:
    return "gives check with two pieces at once"


def tell_trapped(play: Play, motif: Motif) -> str:
    return f"traps {the_piece(play.boards[motif.ply], motif.targets[0])}"
