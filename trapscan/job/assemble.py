"""From examined positions to findings: kinds, reach, tolls, look-alikes. Pure."""

from __future__ import annotations

import functools
import sys
from array import array
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import chess
import numpy as np
import numpy.typing as npt

from trapscan import explain, rank
from trapscan.chance import expected
from trapscan.contract import (
    Depth,
    Gain,
    LetOff,
    LookAlike,
    MoveText,
    Opening,
    Refutation,
    ReplyKind,
    Side,
    SlipFinding,
    Verified,
)
from trapscan.job.judging import THEN, forgets, prepared_of, related
from trapscan.job.owned import Owned
from trapscan.job.positions import ExplainedSlip, Outcome
from trapscan.job.state import ScanState
from trapscan.job.valuing import nature_and_worth
from trapscan.model import Line, Position, Slip
from trapscan.order import ASIDE, MET_DIGITS, TOLL_DIGITS, rounded
from trapscan.score import Score, loss
from trapscan.spool import Spool

NEAREST = 4
"""How many of the nearest positions are tried as look-alikes."""

KEPT = 4_000
"""Positions whose squares, board and line are kept, as each is compared with many findings."""


def findings(seen: ScanState) -> Iterator[SlipFinding]:
    """Every verified slip as a finding, position by position; those that share an idea carry its id."""
    return related(Spool(SlipFinding, _alone(seen)))


def _alone(seen: ScanState) -> Iterator[SlipFinding]:
    """The findings, none of which knows of another."""
    sound = _sound_moves(seen)
    for epd, outcome in seen.outcomes.items():
        position = seen.positions[epd]
        board = position.board()
        for each in outcome.told:
            best, told = seen.told(epd, each.slip.move)
            if told is not None:
                yield _finding(seen, position, board, outcome, told, best, sound)


def _finding(
    seen: ScanState,
    position: Position,
    board: chess.Board,
    outcome: Outcome,
    told: ExplainedSlip,
    best: Line,
    sound: SoundMoves,
) -> SlipFinding:
    slip, explanation = told.slip, told.explanation
    move = chess.Move.from_uci(slip.move)
    levels = seen.settings.levels
    after = board.copy(stack=False)
    san = after.san_and_push(move)
    chance = tuple(outcome.examined.chances[slip.move])
    nature, worth = nature_and_worth(explanation, best.score, slip.score, after, chance, told.find)
    owned = Owned.of(seen, position, board, slip.move)
    prepared = prepared_of(owned, told, best, nature)
    held = prepared is not None and not owned.warned(prepared)
    kind = rank.kind_of(victim=board.turn, side=owned.side, held=held)
    reach = seen.reach.get((position.epd, owned.ours), tuple(0.0 for _ in levels))
    cost = rank.costs(best.score, slip.score, levels, expected)
    toll = rank.tolls(reach, chance, cost)
    line = sans(after, slip.refutation[: explanation.line])
    also = also_of(seen, after, slip)
    let_off = _let_off(seen, position, after, slip.move)
    find = tuple(min(f, 1 - sum(each.chance[i] for each in let_off)) for i, f in enumerate(told.find))
    look_alikes, hint = _elsewhere(seen, position, board, outcome, told, sound)
    return SlipFinding(
        id=rank.finding_id(kind, position.epd, slip.move),
        kind=kind,
        victim=Side.of(board.turn),
        fen=_reached(position)[1],
        start_fen=position.start_fen,
        line=line_of(position),
        move_orders=position.move_orders,
        opening=Opening(eco=position.opening[0], name=position.opening[1]) if position.opening else None,
        slip=MoveText(san=san, uci=slip.move),
        refutation=Refutation(san=line[0], uci=slip.refutation[0], line=line) if line else None,
        also=tuple(after.san(chess.Move.from_uci(uci)) for uci in also),
        reply_kind=reply_kind(after, slip.refutation),
        instead=told.instead,
        cp_best=best.score.json(),
        cp_slip=slip.score.json(),
        gain=Gain(explanation.gain),
        material=explanation.material,
        ply=explanation.ply,
        motifs=explanation.motifs,
        why_tempting=explanation.why_tempting,
        why_it_fails=explanation.why_it_fails,
        nature=nature,
        worth=all_rounded(worth, 4),
        likely_line=_likely(seen, position, after, slip.move),
        let_off=let_off,
        poisoned=explanation.poisoned,
        must_know=rank.must_know(find, toll) if nature not in ASIDE else tuple(False for _ in levels),
        in_repertoire=slip.move in position.prepared,
        prepared=prepared,
        state=owned.state(kind, prepared, frozenset(each.slip.move for each in outcome.told)),
        mark=owned.mark,
        own=owned.better(outcome, slip.score),
        named=owned.names(told, also),
        chapters=owned.listed,
        words=owned.words(*slip.refutation[:1]),
        beyond=position.beyond,
        chance=all_rounded(chance, 4),
        find=all_rounded(find, 4),
        reach=all_rounded(reach, 6),
        met=all_rounded([share * forgets(seen, position, board, kind) for share in reach], MET_DIGITS),
        cost=all_rounded(cost, 4),
        toll=all_rounded(toll, TOLL_DIGITS),
        evidence=seen.evidence(position.epd, slip.move),
        look_alikes=look_alikes,
        move_order_hint=hint,
        depth=Depth(exposed=slip.exposed),
        verified=Verified(nodes=slip.nodes),
    )


def also_of(seen: ScanState, after: chess.Board, slip: Slip) -> tuple[str, ...]:
    """Other first moves that punish; the best move of the position after the slip always does."""
    outcome = seen.outcomes.get(after.epd())
    best = outcome.examined.best.pv[:1] if outcome is not None else ()
    return tuple(dict.fromkeys((*slip.also, *(move for move in best if move not in slip.refutation[:1]))))


def _let_off(seen: ScanState, position: Position, after: chess.Board, slip: str) -> tuple[LetOff, ...]:
    """The likeliest replies that do not punish, where that was looked at."""
    retold = seen.retold.get((position.epd, slip))
    return tuple(
        LetOff(
            san=sans(after, (each.reply,))[0],
            chance=all_rounded(each.chance, 4),
            line=sans(after, (each.reply, *each.line[:THEN]))[1:],
        )
        for each in (retold.let_off if retold is not None else ())
    )


def _likely(seen: ScanState, position: Position, after: chess.Board, slip: str) -> tuple[str, ...]:
    """The refutation as it will be played, where that was tried and differs."""
    retold = seen.retold.get((position.epd, slip))
    return sans(after, retold.likely) if retold is not None else ()


def reply_kind(after: chess.Board, refutation: Sequence[str]) -> ReplyKind | None:
    """What kind of move the punisher must find after the slip."""
    if not refutation:
        return None
    reply = chess.Move.from_uci(refutation[0])
    if after.gives_check(reply):
        return ReplyKind.CHECK
    return ReplyKind.CAPTURE if after.is_capture(reply) else ReplyKind.QUIET


# --- look-alikes -----------------------------------------------------------------------------------------------------

Place = tuple[str, Score, Score]
"""EPD, best score, score of the move."""


@dataclass(frozen=True, slots=True)
class Places:
    """The positions where a move is sound: `rows` of all that were examined, in the order of their EPD, whose squares
    have a row of 64 letters for each; with the best score and that of the move."""

    epds: Sequence[str]
    squares: npt.NDArray[np.uint8]
    rows: npt.NDArray[np.int32]
    scores: Sequence[tuple[Score, Score]]

    def nearest(self, epd: str, square: chess.Square) -> list[Place]:
        """The few that differ from this position in the fewest squares and have the same man on that one: the squares
        of a move alone do not make it the same."""
        here, at = occupants(epd), chess.square_mirror(square)  # as the letters are counted
        same_man = np.flatnonzero(self.squares[self.rows, at] == here[at])
        distance = (self.squares[self.rows[same_man]] != here).sum(axis=1)
        near = same_man[np.argsort(distance, kind="stable")][: NEAREST + 1]
        places = [(self.epds[self.rows[i]], *self.scores[i]) for i in near]
        return [place for place in places if place[0] != epd][:NEAREST]


SoundMoves = Mapping[tuple[bool, str], Places]
"""By side and move."""


def _sound_moves(seen: ScanState) -> SoundMoves:
    wanted = {(_turn(epd), told.slip.move) for epd, outcome in seen.outcomes.items() for told in outcome.told}
    epds = sorted(seen.outcomes)
    squares = np.array([occupants(epd) for epd in epds])
    rows: dict[tuple[bool, str], array[int]] = defaultdict(lambda: array("i"))
    scores: dict[tuple[bool, str], list[tuple[Score, Score]]] = defaultdict(list)
    same: dict[tuple[Score, Score], tuple[Score, Score]] = {}
    for row, epd in enumerate(epds):
        examined, turn = seen.outcomes[epd].examined, _turn(epd)
        best = examined.best
        moves = {move: score for move, score, _ in examined.others}
        if best.pv:
            moves[best.pv[0]] = best.score
        for move, score in moves.items():
            if (turn, move) in wanted and loss(best.score, score) < seen.settings.sound:
                pair = best.score, score
                rows[turn, move].append(row)
                scores[turn, move].append(same.setdefault(pair, pair))
    return {key: Places(epds, squares, np.asarray(rows[key]), scores[key]) for key in rows}


def _elsewhere(
    seen: ScanState, position: Position, board: chess.Board, outcome: Outcome, told: ExplainedSlip, sound: SoundMoves
) -> tuple[tuple[LookAlike, ...], str]:
    """Where the same move is sound, and which move must come first."""
    move = chess.Move.from_uci(told.slip.move)
    places = sound.get((board.turn, told.slip.move))
    near = places.nearest(position.epd, move.from_square) if places is not None else []
    if not near or not told.slip.refutation:
        return (), ""
    candidates = [
        explain.Candidate(*_reached(seen.positions[epd]), line_of(seen.positions[epd]), best.json(), score.json())
        for epd, best, score in near
    ]
    best = outcome.examined.best.score
    good = {uci for uci, score, _ in outcome.examined.others if loss(best, score) < seen.settings.sound}
    good |= set(outcome.examined.best.pv[:1]) - {slip.slip.move for slip in outcome.told}
    hint = explain.move_order_hint(board, move, candidates, good=good)
    return explain.look_alikes(board, move, chess.Move.from_uci(told.slip.refutation[0]), candidates), hint


def _turn(epd: str) -> chess.Color:
    return epd.split()[1] == "w"


@functools.lru_cache(maxsize=KEPT)
def _reached(position: Position) -> tuple[chess.Board, str]:
    """Its board, which nobody may change, and its FEN."""
    board = position.board().copy(stack=False)
    return board, board.fen(en_passant="legal")


@functools.lru_cache(maxsize=KEPT)
def occupants(epd: str) -> npt.NDArray[np.uint8]:
    """The 64 squares as one letter each, from a8 to h1."""
    letters = "".join("." * int(c) if c.isdigit() else c for c in epd.split()[0] if c != "/")
    return np.frombuffer(letters.encode(), dtype=np.uint8)


# --- text of moves ---------------------------------------------------------------------------------------------------


def line_of(position: Position) -> tuple[str, ...]:
    return _line(position.start_fen, position.moves)


@functools.lru_cache(maxsize=KEPT)
def _line(start_fen: str, moves: tuple[str, ...]) -> tuple[str, ...]:
    return sans(chess.Board(start_fen), moves)


def sans(board: chess.Board, moves: Sequence[str]) -> tuple[str, ...]:
    board = board.copy(stack=False)
    return tuple(sys.intern(board.san_and_push(chess.Move.from_uci(uci))) for uci in moves)


# --- numbers ---------------------------------------------------------------------------------------------------------


def all_rounded(values: Iterable[float], digits: int) -> tuple[float, ...]:
    """The values rounded."""
    return tuple(rounded(value, digits) for value in values)
