"""What a refutation wins: the kind of gain, its pawns' worth over the victim's best alternative, when it is in hand.

A plain count. Material is counted where the captures have been played out (`exchange.settle`). A line wins what its
positions show at rest, and go on showing to its end, over what stood before the slip; what the victim's best line loses
as well is no gain. What the punisher took with its last move before the slip is not yet won, as far as the victim could
take it back. Where other answers of the victim were tried, only what survives all of them is won.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import chess

from trapscan.explain.exchange import VALUES, balance, loot, settle
from trapscan.explain.play import Play
from trapscan.explain.words import some
from trapscan.model import Line
from trapscan.score import Score

NOTHING = 0.75
"""Less than this many pawns is no material gain: what is won is an attack or a position."""

NEAR, FAR, BIG = 10, 12, 2.0
"""How many plies of a line are believed: so many, or more where the score falls by this many pawns. The tail of an
engine's line is a guess, and a small loss that shows only there is mostly noise."""

CREDIBLE = 2.0
"""A gain of more than so many times what the score falls by is not believed: there is something for it."""

EXPLAINED = 0.6
"""What is in hand first and is worth this share of what the score falls by is what the slip loses."""

AS_MUCH = 1.0
"""A gain is named after what changed hands, unless the best line loses more than so much of it too: then only the rest
was won."""

MOST = 0.45
"""A chance forgone is worth at least this share of what the score falls by."""

TRUST = 1.5
"""A rest of an engine's line that is worth so many pawns more or less than its score is a line cut in mid-exchange."""

SOON = 5
"""Plies within which the best line must take what it would win, for the slip to have let it go."""

AS_GOOD = 100
"""Centipawns: an answer that leaves the victim so much worse than the best defence loses in another way, and says
nothing about what the best defence loses."""

Tally = dict[chess.PieceType, int]


@dataclass(frozen=True, slots=True)
class Gain:
    """`kind` as in contract.Gain; `material` in pawns, the punisher's view; `ply` (1-based, in the refutation) at which
    it is in hand; `line` the number of plies worth showing; `tally` what was won and given by piece type, the
    punisher's view, as the gain is named; `mate` the mate's distance in moves, or 0. `missed` is what the victim's best
    line takes and the slip lets go: a square of the board before the slip. Nothing is won then, a chance is forgone."""

    kind: str
    material: float
    ply: int
    line: int
    tally: tuple[tuple[chess.PieceType, int], ...] = ()
    mate: int = 0
    missed: chess.Square | None = None

    def count(self, kind: chess.PieceType) -> int:
        """How many pieces of a type the punisher is ahead of the alternative; negative where it gave some."""
        return dict(self.tally).get(kind, 0)


def weigh(
    board: chess.Board, slip: chess.Move, best: Line, slip_score: Score, play: Play, best_play: Play | None = None
) -> Gain:
    """What the refutation wins, played out in `play`. `board` stands before the slip, with its last move if there is
    one; both scores are the victim's; `best_play` is the best line played out."""
    best_play = Play.along(board, best.pv) if best_play is None else best_play
    side, score = not board.turn, slip_score.of(board.turn)
    if play.end.is_checkmate() and play.end.turn == board.turn:
        return Gain("mate", 0.0, len(play), len(play), mate=(len(play) + 1) // 2)
    if score.mate_lost:
        moves = -(score.mate or 0) or 1
        return Gain("mate", 0.0, 2 * moves - 1, len(play), mate=moves)
    drop = (best.score.of(board.turn).plain - score.plain) / 100
    start = _start(board, side)
    rest = _rest_of(best_play, best.score, len(play) + 1, side)
    level = _worth(start) if rest is None else max(_worth(start), balance(rest, side))
    taken, ply = _won(play, start, level, drop)
    better = taken if rest is None else _difference(_sum(start, taken), _counts(rest, side))
    plain, material = _worth(taken), _worth(better)
    if plain >= NOTHING and material >= NOTHING and ply:
        tally = taken if material >= plain - AS_MUCH else better
        kind = classify(tally)
        if kind != "attack":
            return Gain(kind, material, ply, quiet_from(play, ply, side), _frozen(tally))
    missed = _let_go(best_play, slip, best.score, start, drop) if plain < NOTHING else None
    return Gain("attack", 0.0, min(1, len(play)), quiet_from(play, min(3, len(play)), side), missed=missed)


def surviving(gain: Gain, others: Iterable[tuple[Gain, Score]], score: Score) -> Gain:
    """What is left of `gain`, the victim's `score` after the slip, when other answers were tried: `others` are what
    each of them loses and the victim's score after it."""
    for other, after in others:
        if gain.kind in ("mate", "attack") or other.kind == "mate":
            continue
        if after.plain < score.plain - AS_GOOD:
            continue
        if other.kind == "attack":
            return replace(other, ply=min(1, gain.line), line=min(3, gain.line), tally=(), material=0.0)
        if _worth(dict(other.tally)) < _worth(dict(gain.tally)):
            gain = replace(gain, kind=other.kind, material=min(gain.material, other.material), tally=other.tally)
    return gain


def needs_more(board: chess.Board, slip: chess.Move, refutation: Sequence[str]) -> bool:
    """Whether the line should go on before it is explained: it ends in the middle of an exchange or in a check, or
    before any gain shows. A line of 16 plies or more is never too short; a mate is complete."""
    play = Play.after(board, slip, refutation)
    if play.end.is_game_over():
        return False
    if len(play) >= 16:
        return False
    if not play.moves or play.end.is_check():
        return True
    punisher = not board.turn
    value, _ = settle(play.end, punisher)
    if value != balance(play.end, punisher):
        return True
    before, _ = settle(board, punisher)
    return len(play) < 10 and value - before < 1


def classify(tally: Tally) -> str:
    """The kind of gain for a difference in pieces (punisher's view): named after the largest piece that is won and not
    paid for in kind; "attack" where the difference is not worth a pawn."""
    queens, rooks = tally.get(chess.QUEEN, 0), tally.get(chess.ROOK, 0)
    minors = tally.get(chess.KNIGHT, 0) + tally.get(chess.BISHOP, 0)
    material = _worth(tally)
    if material < NOTHING:
        return "attack"
    if queens > 0 and material >= 2:
        return "queen"
    if rooks > 0 and material >= 1:
        if minors >= 0 and queens >= 0 and material >= 3:
            return "rook"
        if minors == -1:
            return "exchange"
    if minors > 0 and material >= 1:
        return "piece"
    return "pawn" if material < 3 else "piece" if material < 5 else "rook" if material < 9 else "queen"


def won_and_paid(gain: Gain) -> tuple[list[str], list[str]]:
    """(what is won, what is given for it), in words: (['the queen'], ['two pieces'])."""
    minors = gain.count(chess.KNIGHT) + gain.count(chess.BISHOP)
    if gain.count(chess.QUEEN) == 0 and gain.count(chess.ROOK) == 1 and minors == -1:
        pawns = gain.count(chess.PAWN)
        more = [some(pawns, "pawn")] if pawns > 0 else []
        return ["the exchange", *more], [some(-pawns, "pawn")] if pawns < 0 else []
    return _pieces(gain, +1), _pieces(gain, -1)


def _pieces(gain: Gain, sign: int) -> list[str]:
    """The pieces won (+1) or given (-1), the largest first; knights and bishops that cancel are left out."""
    knights, bishops = gain.count(chess.KNIGHT), gain.count(chess.BISHOP)
    minors = knights + bishops
    parts = []
    for kind in (chess.QUEEN, chess.ROOK):
        if kind == chess.QUEEN and gain.count(kind) == sign == 1:
            parts.append("the queen")
        elif gain.count(kind) * sign > 0:
            parts.append(some(abs(gain.count(kind)), chess.piece_name(kind)))
    if minors * sign > 0:
        if abs(minors) > 1:
            parts.append(some(abs(minors), "piece"))
        elif knights == minors and bishops == 0:
            parts.append("a knight")
        elif bishops == minors and knights == 0:
            parts.append("a bishop")
        else:
            parts.append("a piece")
    if gain.count(chess.PAWN) * sign > 0:
        parts.append(some(abs(gain.count(chess.PAWN)), "pawn"))
    return parts


# --- what is won, and where it is in hand ----------------------------------------------------------------------------


def _start(board: chess.Board, side: chess.Color) -> Tally:
    """What `side`'s gain is counted from: the men on the board before the slip, less what `side` has just taken as far
    as the victim can get that back."""
    counts = _counts(board, side)
    if not board.move_stack:
        return counts
    before = board.copy(stack=2)
    last = before.pop()
    if before.move_stack and before.is_capture(last) and before.peek().to_square == last.to_square:
        earlier = before.copy(stack=1)
        if earlier.is_capture(earlier.pop()) and not loot(board, last.to_square):
            return counts  # it took back, and the trade is over
    just = _difference(counts, _counts(before, side))
    value, moves = settle(board, side)
    if _worth(just) <= 0 or value >= balance(board, side):
        return counts
    if value <= balance(board, side) - _worth(just):
        return _counts(before, side)  # by one capture or another: all of it
    return _counts(_played(board, moves), side)


def _won(play: Play, start: Tally, level: float, drop: float) -> tuple[Tally, int]:
    """(what the line wins over `start`, the ply at which it is in hand): the most that its first plies reach and its
    rest does not give back, as far as the score makes it credible; ply 0 where the board never shows it.

    Counted where `play.side` is to move, and so has made good what it can: what the other side could take, but does not
    in the line, mostly cannot be taken."""
    side, before = play.side, _worth(start)
    own = list(range(0, len(play.boards), 2))
    if len(play) % 2 and _is_quiet(play.end, side):
        own.append(len(play))
    settled = {index: settle(play.boards[index], side) for index in own}
    kept = {index: min(settled[later][0] for later in own if later >= index) for index in own}
    last = FAR if drop >= BIG else NEAR
    near = [index for index in own if index <= last and kept[index] - before <= CREDIBLE * drop] or own[:1]
    most = max(kept[index] for index in near)
    index = next(index for index in near if kept[index] == most or kept[index] - level >= max(1, EXPLAINED * drop))
    top = kept[index]
    shown = [balance(board, side) for board in play.boards]
    ply = next(
        (ply for ply in range(max(1, index), len(shown)) if _stands(play, ply, shown[ply], top)),
        len(play) if settled[own[-1]][0] >= top else 0,
    )
    while ply > 1 and shown[ply - 1] == shown[ply]:
        ply -= 1
    such = [later for later in own if later >= index and settled[later][0] == top]
    at = next((later for later in such if later >= ply), such[-1])
    taken = _difference(_counts(_played(play.boards[at], settled[at][1]), side), start)
    return taken, ply


def _stands(play: Play, ply: int, shown: int, top: float) -> bool:
    """Whether the board after `ply` shows so much and keeps it: neither by taking back nor by other captures can the
    victim bring it down."""
    board = play.boards[ply]
    if shown < top or settle(board, play.side)[0] < top:
        return False
    return board.turn == play.side or shown - loot(board, play.moves[ply - 1].to_square) >= top


def _rest_of(play: Play, score: Score, plies: int, side: chess.Color) -> chess.Board | None:
    """Where a line last comes to rest within so many plies, as far as its own score bears that out."""
    claimed = score.of(side).plain / 100
    for board in reversed(play.first(min(plies, FAR)).boards[1:]):
        value = balance(board, side)
        if abs(value - claimed) < TRUST and _is_quiet(board, side):
            return board
    return None


def _let_go(best: Play, slip: chess.Move, score: Score, start: Tally, drop: float) -> chess.Square | None:
    """What the best line soon takes, where it stands before the slip, and for nothing; None where that is not what the
    slip costs, or the slip takes there itself."""
    side = not best.side
    rest = _rest_of(best, score, SOON, side)
    if rest is None:
        return None
    won = _difference(start, _counts(rest, side))
    if not max(NOTHING, MOST * drop) <= _worth(won) <= max(1.0, CREDIBLE * drop):
        return None
    board, play = best.boards[0], best.first(SOON)
    prizes = [
        (-VALUES[taken[1]], index, taken)
        for index in play.own()
        if (taken := play.taken(index))
        and taken[0] != slip.to_square
        and board.piece_at(taken[0]) == play.boards[index].piece_at(taken[0])
    ]
    # a queen that is taken and taken back is no chance: only what is there more in the end
    return next((square for _, _, (square, kind) in sorted(prizes) if won.get(kind, 0) > 0), None)


def _is_quiet(board: chess.Board, side: chess.Color) -> bool:
    """Whether no capture that pays is pending and nobody is in check."""
    return not board.is_check() and settle(board, side)[0] == balance(board, side)


def quiet_from(play: Play, ply: int, side: chess.Color) -> int:
    """The first ply from `ply` on where no capture is pending and nobody is in check; else the whole line."""
    for stop in range(max(ply, 1), len(play) + 1):
        if _is_quiet(play.boards[stop], side):
            return stop
    return len(play)


def _played(board: chess.Board, moves: Sequence[chess.Move]) -> chess.Board:
    end = board.copy(stack=False)
    for move in moves:
        end.push(move)
    return end


def _counts(board: chess.Board, side: chess.Color) -> Tally:
    return {
        kind: board.pieces_mask(kind, side).bit_count() - board.pieces_mask(kind, not side).bit_count()
        for kind in (chess.PAWN, chess.KNIGHT, chess.BISHOP, chess.ROOK, chess.QUEEN)
    }


def _difference(one: Tally, other: Tally) -> Tally:
    return {kind: one[kind] - other[kind] for kind in one if one[kind] != other[kind]}


def _worth(tally: Tally) -> float:
    return float(sum(VALUES[kind] * count for kind, count in tally.items()))


def _sum(one: Tally, other: Tally) -> Tally:
    return {kind: count + other.get(kind, 0) for kind, count in one.items()}


def _frozen(tally: Tally) -> tuple[tuple[chess.PieceType, int], ...]:
    return tuple(sorted(tally.items(), reverse=True))
