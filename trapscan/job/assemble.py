"""From examined positions to findings: kinds, reach, tolls, look-alikes. Pure."""

from __future__ import annotations

import functools
import operator
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import chess

from trapscan import explain, rank
from trapscan.chance import expected
from trapscan.contract import Depth, Evidence, Finding, LookAlike, MoveText, Opening, Prepared, Refutation, Verified
from trapscan.job.work import Outcome, Told
from trapscan.model import Position
from trapscan.score import Score, loss
from trapscan.settings import Settings

NEAREST = 4
"""How many of the nearest positions are tried as look-alikes."""

KEPT = 5_000
"""Positions whose squares, board and line are kept, as each is compared with many findings."""


@dataclass(frozen=True, slots=True)
class Seen:
    """All a scan knows when it is done: positions and their outcomes by EPD, and reach per level by (EPD, whose
    repertoire it is)."""

    positions: Mapping[str, Position]
    outcomes: Mapping[str, Outcome]
    reach: Mapping[tuple[str, chess.Color], tuple[float, ...]]
    side: str
    settings: Settings
    evidence: Callable[[str, str], Evidence | None] = lambda epd, move: None
    """How often a position (EPD) and a move of it occur in the games given, if any were."""


def findings(seen: Seen) -> tuple[Finding, ...]:
    """Every verified slip as a finding, in the order of the report."""
    sound = _sound_moves(seen)
    made = []
    for epd, outcome in seen.outcomes.items():
        position = seen.positions[epd]
        board = position.board()
        for told in outcome.told:
            made.append(_finding(seen, position, board, outcome, told, sound))
    return rank.order(made, seen.settings.levels, seen.settings.level)


def _finding(
    seen: Seen, position: Position, board: chess.Board, outcome: Outcome, told: Told, sound: SoundMoves
) -> Finding:
    slip, explanation, best = told.slip, told.explanation, outcome.examined.best
    move = chess.Move.from_uci(slip.move)
    levels = seen.settings.levels
    prepared = _prepared(seen, position, board, told)
    kind = rank.kind_of(
        slip.move,
        victim=board.turn,
        side=seen.side,
        prepared=position.prepared,
        answered=prepared is not None and prepared.right,
    )
    ours = rank.SIDES.get(seen.side, not board.turn)
    reach = seen.reach.get((position.epd, ours), tuple(0.0 for _ in levels))
    chance = tuple(outcome.examined.chances[slip.move])
    cost = rank.costs(best.score, slip.score, levels, expected)
    toll = rank.tolls(reach, chance, cost)
    after = board.copy(stack=False)
    san = after.san_and_push(move)
    line = sans(after, slip.refutation[: explanation.line])
    look_alikes, hint = _elsewhere(seen, position, board, outcome, told, sound)
    return Finding(
        id=rank.finding_id(kind, position.epd, slip.move),
        kind=kind,
        victim=rank.side_name(board.turn),
        fen=board.fen(),
        start_fen=position.start_fen,
        line=line_of(position),
        move_orders=position.move_orders,
        opening=Opening(eco=position.opening[0], name=position.opening[1]) if position.opening else None,
        slip=MoveText(san=san, uci=slip.move),
        refutation=Refutation(san=line[0], uci=slip.refutation[0], line=line) if line else None,
        also=tuple(after.san(chess.Move.from_uci(uci)) for uci in slip.also),
        instead=told.instead,
        cp_best=best.score.json(),
        cp_slip=slip.score.json(),
        gain=explanation.gain,
        material=explanation.material,
        ply=explanation.ply,
        motifs=explanation.motifs,
        why_tempting=explanation.why_tempting,
        why_it_fails=explanation.why_it_fails,
        poisoned=explanation.poisoned,
        must_know=rank.must_know(told.find, toll),
        in_repertoire=slip.move in position.prepared,
        prepared=prepared,
        beyond=position.beyond,
        chance=rounded(chance, 4),
        find=rounded(told.find, 4),
        reach=rounded(reach, 6),
        cost=rounded(cost, 4),
        toll=rounded(toll, 6),
        evidence=seen.evidence(position.epd, slip.move),
        look_alikes=look_alikes,
        move_order_hint=hint,
        depth=Depth(exposed=slip.exposed),
        verified=Verified(nodes=slip.nodes),
    )


def _prepared(seen: Seen, position: Position, board: chess.Board, told: Told) -> Prepared | None:
    """What the tree answers to a slip that stands in it."""
    slip = told.slip
    if slip.move not in position.prepared:
        return None
    after = board.copy(stack=False)
    after.push_uci(slip.move)
    child = seen.positions.get(after.epd())
    answers = child.prepared if child is not None else ()
    right = bool(answers) and answers[0] in (*slip.refutation[:1], *slip.also)
    return Prepared(answers=tuple(after.san(chess.Move.from_uci(uci)) for uci in answers), right=right)


# --- look-alikes -----------------------------------------------------------------------------------------------------

SoundMoves = Mapping[tuple[bool, str], Sequence[tuple[str, Score, Score]]]
"""(side, move) -> (EPD, best score, score of the move), for every position where the move is sound."""


def _sound_moves(seen: Seen) -> SoundMoves:
    wanted = {(_turn(epd), told.slip.move) for epd, outcome in seen.outcomes.items() for told in outcome.told}
    sound: dict[tuple[bool, str], list[tuple[str, Score, Score]]] = defaultdict(list)
    for epd, outcome in seen.outcomes.items():
        best, turn = outcome.examined.best, _turn(epd)
        moves = {move: score for move, score, _ in outcome.examined.others}
        if best.pv:
            moves[best.pv[0]] = best.score
        for move, score in moves.items():
            if (turn, move) in wanted and loss(best.score, score) < seen.settings.sound:
                sound[turn, move].append((epd, best.score, score))
    return sound


def _elsewhere(
    seen: Seen, position: Position, board: chess.Board, outcome: Outcome, told: Told, sound: SoundMoves
) -> tuple[tuple[LookAlike, ...], str]:
    """Where the same move is sound, and which move must come first."""
    here = _occupants(position.epd)
    man = chess.square_mirror(chess.parse_square(told.slip.move[:2]))  # as the letters of `here` are counted
    places = [  # by the same man: the squares alone do not make it the same move
        entry
        for entry in sound.get((board.turn, told.slip.move), ())
        if entry[0] != position.epd and _occupants(entry[0])[man] == here[man]
    ]
    if not places or not told.slip.refutation:
        return (), ""
    near = sorted(places, key=lambda entry: (_distance(here, _occupants(entry[0])), entry[0]))[:NEAREST]
    candidates = [
        explain.Candidate(*_reached(seen.positions[epd]), line_of(seen.positions[epd]), best.json(), score.json())
        for epd, best, score in near
    ]
    move = chess.Move.from_uci(told.slip.move)
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
def _occupants(epd: str) -> str:
    """The 64 squares as one letter each."""
    return "".join("." * int(c) if c.isdigit() else c for c in epd.split()[0] if c != "/")


def _distance(one: str, other: str) -> int:
    return sum(map(operator.ne, one, other))


# --- text of moves ---------------------------------------------------------------------------------------------------


def line_of(position: Position) -> tuple[str, ...]:
    return _line(position.start_fen, position.moves)


@functools.lru_cache(maxsize=KEPT)
def _line(start_fen: str, moves: tuple[str, ...]) -> tuple[str, ...]:
    return sans(chess.Board(start_fen), moves)


def sans(board: chess.Board, moves: Sequence[str]) -> tuple[str, ...]:
    board = board.copy(stack=False)
    return tuple(board.san_and_push(chess.Move.from_uci(uci)) for uci in moves)


def rounded(values: Sequence[float], digits: int) -> tuple[float, ...]:
    """Rounded before anything is ranked by them: noise in the last digits must not change the order."""
    return tuple(round(value, digits) for value in values)
