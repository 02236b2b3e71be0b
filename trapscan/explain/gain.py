"""What a refutation wins: the kind of gain, its pawns' worth over the victim's best alternative, when it is in hand.

Material is counted where the captures have been played out (`exchange.settle`), on both lines: after the slip along
the refutation, and along the victim's best line for as many plies. The difference is the gain. A line shows its gain
at the first point from which on the gain stays; that is where it may be cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import chess

from trapscan.explain.exchange import VALUES, balance, settle
from trapscan.explain.play import Play
from trapscan.explain.words import some
from trapscan.model import Line
from trapscan.score import Score

NOTHING = 0.75
"""Less than this many pawns is no material gain: what is won is an attack or a position."""

_EXPLAINED = 0.6
_HORIZON = 12
_NEAR = 6
_BIG = 2.0
_SOON = 5
_MOST = 0.4
_SACRIFICE = 1.5
_GAMBIT = 0.8
_FAIR = 1.6
_GROWS = 2
_CREDIBLE = 2.0
_TRUST = 2.5
_CEILING = 15.0

Tally = dict[chess.PieceType, int]


@dataclass(frozen=True, slots=True)
class Gain:
    """`kind` as in contract.Gain; `material` in pawns, the punisher's view; `ply` (1-based, in the refutation) at which
    it is in hand; `line` the number of plies worth showing; `tally` what was won and given by piece type, the
    punisher's view, as the gain is named; `mate` the mate's distance in moves, or 0. `missed` is what the victim's best
    line takes and the slip lets go: a square of the board before the slip, where nothing changed hands but that."""

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
    """What the refutation wins, played out in `play`. `board` stands before the slip; both scores are the victim's;
    `best_play` is the best line played out."""
    best_play = Play.along(board, best.pv) if best_play is None else best_play
    punisher = not board.turn
    score = slip_score.of(board.turn)
    if play.end.is_checkmate() and play.end.turn == board.turn:
        return Gain("mate", 0.0, len(play), len(play), mate=(len(play) + 1) // 2)
    if score.mate_lost:
        moves = -(score.mate or 0) or 1
        return Gain("mate", 0.0, 2 * moves - 1, len(play), mate=moves)

    level = _alternative(best_play, best.score, len(play) + 1, punisher)
    drop = (best.score.of(board.turn).plain - score.plain) / 100
    # a small loss that shows only late in a line is a guess: it is not looked for there
    settled = [settle(position, punisher) for position in play.boards[: 1 + _last(drop)]]
    values = [value for value, _ in settled]
    index = _plateau(values, level[0], balance(board, punisher), min(drop, _CEILING), play)
    value, rest = settled[index]
    ply = _in_hand(play, value, index)
    while ply and value > level[0]:
        cut = quiet_from(play, ply, punisher)
        end = settle(play.boards[cut], punisher)
        if end[0] >= value:
            break
        index, (value, rest) = cut, end  # what comes back before the line may be cut was never had
        ply = _in_hand(play, value, index)
    reached = _counts(_played(play.boards[index], rest), punisher)
    taken, better = _difference(reached, _counts(board, punisher)), _difference(reached, level[1])
    missed = None
    claimed = best.score.of(punisher).plain / 100
    if _worth(better) < NOTHING <= _worth(taken) <= _FAIR * drop and level[0] - claimed >= _GAMBIT:
        better = taken  # the alternative gives as much, but for play that its score counts; here it is just gone
    if _worth(taken) < NOTHING <= _worth(better):
        # nothing is taken: the slip let something go, and that must be plain to see and worth most of the loss
        prizes, (standing, soon) = _let_go(best_play, slip, best.score, punisher)
        better = _difference(reached, soon)
        # a queen that is taken and taken back is no chance: only what is there more in the end
        missed = next((square for kind, square in prizes if better.get(kind, 0) > 0), None)
        believed = _MOST * min(drop, _CEILING) <= _worth(better) <= _CREDIBLE * drop and claimed - standing < _GAMBIT
        if _worth(taken) <= -_SACRIFICE or not believed or (prizes and missed is None):
            missed, better = None, {}
    tally, material = _named(taken, better)
    material = min(material, max(_worth(taken), float(round(drop))))  # what the alternative wins late is a guess
    kind = classify(tally) if material >= NOTHING else "attack"
    if kind == "attack" or not 0 < ply <= _last(drop) + _SOON:
        # nothing is in hand: what there is to see is the first strong moves
        shown = quiet_from(play, min(3, len(play)), punisher)
        return Gain("attack", material if kind == "attack" else 0.0, min(1, len(play)), shown, _frozen(tally))
    return Gain(kind, material, ply, quiet_from(play, ply, punisher), _frozen(tally), missed=missed)


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


# --- where the gain is in hand ---------------------------------------------------------------------------------------


def _alternative(best: Play, score: Score, plies: int, side: chess.Color) -> tuple[int, Tally]:
    """Balance and counts of the victim's best line where it last comes to rest within `plies` plies.

    An engine's line may be cut in the middle of an exchange: a rest at which either side is worse off, by _TRUST pawns
    or more, than the line's own score says is not believed. Where no rest is left, the board as it stands counts, or
    what the line's first capture leads to.
    """
    play = best.first(min(plies, _HORIZON))
    claimed = score.of(side).plain / 100
    for position in reversed(play.boards[1:]):
        value = balance(position, side)
        if abs(value - claimed) >= _TRUST or position.is_check():
            continue
        if settle(position, side)[0] == value:
            return value, _counts(position, side)
    if play.moves and play.is_capture(0):
        value, rest = settle(play.boards[1], side)
        if abs(value - claimed) < _TRUST:
            return value, _counts(_played(play.boards[1], rest), side)
    return balance(play.boards[0], side), _counts(play.boards[0], side)


def _let_go(
    best: Play, slip: chess.Move, score: Score, side: chess.Color
) -> tuple[list[tuple[chess.PieceType, chess.Square]], tuple[int, Tally]]:
    """(what the best line takes with its first moves, balance and counts that it has reached then): the men that the
    victim takes there where they stand on `board`, but for what the slip takes, the most valuable first; nothing, and
    those of the board, where it takes nothing soon."""
    board, play = best.boards[0], best.first(_SOON)
    prizes = [
        (-VALUES[taken[1]], index, taken)
        for index in play.own()
        if (taken := play.taken(index))
        and taken[0] != slip.to_square
        and board.piece_at(taken[0]) == play.boards[index].piece_at(taken[0])
    ]
    if not prizes:
        return [], (balance(board, side), _counts(board, side))
    return [(kind, square) for _, _, (square, kind) in sorted(prizes)], _alternative(best, score, _SOON, side)


def _plateau(values: list[int], level: int, before: int, drop: float, play: Play) -> int:
    """The index of the position whose settled balance stands for the line, among those that `values` are given for.

    That is the earliest that explains the score and is not given back later; from there the next one at rest, if one
    follows soon that explains it as well; later, where much more is won soon, or where nothing was taken yet (the board
    before the slip shows `before`) and something is later. Where none explains the score, the last one at
    rest, if all that the line wins is won there; else the one that keeps the most.
    """
    last = len(values) - 1
    gains = [value - level for value in values]
    kept = [min(gains[index:]) for index in range(last + 1)]
    rest = [
        index
        for index in range(1, last + 1)
        if not play.boards[index].is_check() and balance(play.boards[index], play.side) == values[index]
    ]
    enough = max(1.0, _EXPLAINED * drop)
    first = next((index for index in range(1, last + 1) if kept[index] >= enough), None)
    if first is not None:
        credible = [index for index in range(last + 1) if kept[index] <= _CREDIBLE * drop]
        first = _grown(first, kept, level - before, credible)
        return next((index for index in rest if index >= first), _settled_at(first, gains, kept))
    if rest and gains[rest[-1]] >= max(1.0, gains[last]):
        return rest[-1]
    most = max(range(min(1, last), last + 1), key=lambda index: (kept[index], -index))
    return most if most in rest else _settled_at(most, gains, kept)


def _last(drop: float) -> int:
    """How many plies of a line are believed."""
    return _HORIZON if drop >= _BIG else _NEAR


def _settled_at(index: int, gains: list[int], kept: list[int]) -> int:
    """The index from `index` on at which the gain is down to what is kept of it: more than that was never had."""
    return next(later for later in range(index, len(gains)) if gains[later] == kept[index])


def _grown(first: int, kept: list[int], offset: int, credible: list[int]) -> int:
    """The index from `first` on, as the gain grows to what it will be, among those that the score makes `credible`.
    `offset`: the level minus the board before the slip; `kept[index] + offset` is what was taken from the victim."""
    while True:
        ahead = [index for index in credible if index > first]
        soon = [index for index in ahead if index < first + _SOON]
        more = next((index for index in soon if kept[index] >= kept[first] + _GROWS), None)
        if more is None and kept[first] + offset < 1:
            more = next((index for index in ahead if kept[index] + offset >= 1), None)
        if more is None:
            return first
        first = more


def _in_hand(play: Play, value: int, index: int) -> int:
    """The first ply after which the board itself shows `value`, what the position at `index` settles at, no more and no
    less, and goes on showing it up to there; later, where the last capture comes after `index`; the whole line, where
    it does not come in it, but must; 0 where the line ends with less."""
    shown = [balance(board, play.side) for board in play.boards]
    stands = (ply for ply in range(max(1, index), len(play) + 1) if shown[ply] >= value)
    first = next((ply for ply in stands if settle(play.boards[ply], play.side)[0] >= value), 0)
    if not first:
        return len(play) if settle(play.end, play.side)[0] >= value else 0
    while first > 1 and shown[first - 1] == value:
        first -= 1
    return first


def quiet_from(play: Play, ply: int, side: chess.Color) -> int:
    """The first ply from `ply` on where no capture is pending and nobody is in check; else the whole line."""
    for stop in range(max(ply, 1), len(play) + 1):
        board = play.boards[stop]
        if not board.is_check() and settle(board, side)[0] == balance(board, side):
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


def _named(taken: Tally, better: Tally) -> tuple[Tally, float]:
    """(the pieces that name the gain, pawns' worth over the best alternative).

    `taken` is the difference to the board before the slip, `better` to the victim's best alternative. What changed
    hands names the gain, unless the alternative loses most of it as well (then only the rest was won) or nothing
    changed hands (then the slip missed something, a recapture say).
    """
    plain, material = _worth(taken), _worth(better)
    if plain >= NOTHING and material >= max(NOTHING, _MOST * plain):
        return taken, material
    return better, material


def _frozen(tally: Tally) -> tuple[tuple[chess.PieceType, int], ...]:
    return tuple(sorted(tally.items(), reverse=True))
