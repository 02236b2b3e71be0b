"""Whether a scan that was read makes sense: every move is legal in its place, every number can be what it says.

The types are checked before (`contract`). All raise ValueError with what is wrong.
"""

from __future__ import annotations

import functools
import hashlib
import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from types import NoneType
from typing import Any, get_args, get_origin

import chess
import msgspec

from trapscan.contract import (
    BaitFinding,
    Cp,
    Finding,
    LookAlike,
    MoveText,
    Record,
    Refutation,
    Scan,
    SlipFinding,
)
from trapscan.levels import LEAST_ELO, MOST_ELO
from trapscan.report.lines import lines_of
from trapscan.sanitize import sanitize

MOST = 2**53
"""No count is greater: JSON's readers keep whole numbers up to here."""
SHARES = frozenset({"chance", "find", "reach", "met", "worth"})
"""Lists of probabilities, or of what lies between 0 and 1 as they do."""
MOST_POINTS = 1000.0
"""No other number is greater: tolls are points per 100 games, material is counted in pawns."""
Check = Callable[[str, Any, int], None]
"""Of a field's name, its value, and how many levels there are."""
MOST_CP, MOST_MATE = 1_000_000, 1000


def check(scan: Scan) -> None:
    """Raise ValueError, in one line, when the scan's values cannot be what they say."""
    levels = scan.levels
    if not levels or list(levels) != sorted(set(levels)):
        raise ValueError("`levels` must rise")
    for level in (scan.level, *levels):
        if not LEAST_ELO <= level <= MOST_ELO:
            raise ValueError(f"level {level} is none between {LEAST_ELO} and {MOST_ELO}")
    for record in (scan.counters, scan.input, scan.evidence, scan.partial, *scan.chapters, *scan.problems):
        if record is not None:
            _check_numbers(record, len(levels))
    if any(chapter.file >= len(scan.input.files) for chapter in scan.chapters):
        raise ValueError("a chapter of a file that is not named")
    lines = Lines(record.start_fen for record in itertools.chain(scan.tree, scan.findings))
    ids: set[str] = set()
    for finding in scan.findings:
        try:
            _check_finding(finding, len(levels), len(scan.chapters), lines)
        except ValueError as exc:
            raise ValueError(f"finding {sanitize(finding.id, limit=60)}: {exc}") from exc
        if finding.id in ids:
            raise ValueError(f"two findings with the id {sanitize(finding.id, limit=60)}")
        ids.add(finding.id)
    for finding in scan.findings:
        if isinstance(finding, SlipFinding) and finding.forgoes and finding.forgoes not in ids:
            raise ValueError(f"finding {sanitize(finding.id, limit=60)}: it forgoes a finding that is not there")
    lines_of(scan)


# --- numbers ---------------------------------------------------------------------------------------------------------


def _check_numbers(record: Record, levels: int) -> None:
    """All numbers in a record and in those below it; each list per level has one for each level, or none where the
    record may lack it."""
    for name, check_value in _plan(type(record)):
        value = getattr(record, name)
        if value is not None:
            check_value(name, value, levels)


@functools.cache
def _plan(record: type[Record]) -> tuple[tuple[str, Check], ...]:
    """The fields that hold numbers, each with what they are checked by."""
    found: list[tuple[str, Check]] = []
    for field in msgspec.structs.fields(record):
        kinds = [kind for kind in get_args(field.type) if kind is not NoneType] if _optional(field.type) else []
        kind = kinds[0] if len(kinds) == 1 else field.type
        if kind == Cp:
            found.append((field.name, _score))
        elif kind is int:
            found.append((field.name, _count))
        elif kind is float:
            found.append((field.name, _number))
        elif kind in (tuple[float, ...], tuple[bool, ...]):
            found.append((field.name, functools.partial(_per_level, may_lack=not field.required)))
        elif _is_record(kind):
            found.append((field.name, _record))
        elif get_origin(kind) is tuple and _is_record(get_args(kind)[0]):
            found.append((field.name, _records))
    return tuple(found)


def _is_record(kind: Any) -> bool:
    return isinstance(kind, type) and get_origin(kind) is None and issubclass(kind, Record)


def _optional(kind: Any) -> bool:
    return NoneType in get_args(kind)


def _count(name: str, value: int, levels: int) -> None:
    if not 0 <= value <= MOST:
        raise ValueError(f"`{name}` is {value}")


def _number(name: str, value: float, levels: int) -> None:
    if not math.isfinite(value) or abs(value) > MOST_POINTS:
        raise ValueError(f"`{name}` is {value}")


def _score(name: str, value: Cp, levels: int) -> None:
    if isinstance(value, int):
        sane = abs(value) <= MOST_CP
    else:
        sane = value.keys() == {"mate"} and abs(value["mate"]) <= MOST_MATE
    if not sane:
        raise ValueError(f"`{name}` is no score")


def _per_level(name: str, values: Sequence[float], levels: int, *, may_lack: bool) -> None:
    if len(values) != levels and not (may_lack and not values):
        raise ValueError(f"{len(values)} values of `{name}` for {levels} levels")
    least, most = (0.0, 1.0) if name in SHARES else (-MOST_POINTS, MOST_POINTS)
    if not all(least <= value <= most for value in values):  # nor is any of them no number
        raise ValueError(f"a value of `{name}` that cannot be")


def _record(name: str, value: Record, levels: int) -> None:
    _check_numbers(value, levels)


def _records(name: str, values: Iterable[Record], levels: int) -> None:
    for value in values:
        _check_numbers(value, levels)


# --- moves -----------------------------------------------------------------------------------------------------------


class Lines:
    """Where lines of moves lead, each played once: many findings share theirs."""

    def __init__(self, starts: Iterable[str]) -> None:
        self.starts = list(dict.fromkeys(starts))
        self._ends: dict[bytes, str] = {}

    def end(self, start: str, line: tuple[str, ...]) -> str:
        """The EPD at the end of a line."""
        key = hashlib.blake2b("\0".join((start, *line)).encode(), digest_size=16).digest()  # lines are large
        if key not in self._ends:
            board = board_of(start)
            for san in line:
                board.push_san(san)
            self._ends[key] = board.epd()
        return self._ends[key]

    def leads(self, line: tuple[str, ...], epd: str) -> bool:
        """Whether the line leads to the position from any start."""
        for start in self.starts:
            try:
                if self.end(start, line) == epd:
                    return True
            except ValueError:
                continue
        return False


def _check_finding(finding: Finding, levels: int, chapters: int, lines: Lines) -> None:
    _check_numbers(finding, levels)
    if any(at >= chapters for at in (*finding.chapters, *(word.chapter for word in finding.words))):
        raise ValueError("it names a chapter that is none of the scan's")
    board = board_of(finding.fen)
    if lines.end(finding.start_fen, finding.line) != board.epd():
        raise ValueError("its line does not lead to its position")
    if (board.turn == finding.victim.color) is isinstance(finding, BaitFinding):
        raise ValueError("it is not the victim who goes wrong")
    if isinstance(finding, BaitFinding):
        _check_bait(finding, board)
    else:
        _check_slip(finding, board, lines)


def _check_slip(finding: SlipFinding, board: chess.Board, lines: Lines) -> None:
    for move in (*finding.instead, finding.own):
        if move is not None:
            _same(board, move.san, move.uci)
    after = _after(board, finding.slip)
    _check_punished(after, finding.refutation)
    _playable(after, finding.also)
    _playable(after, finding.prepared.answers if finding.prepared is not None else ())
    _line(after, finding.likely_line)
    for reply in finding.let_off:
        _line(after, (reply.san, *reply.line))
    _check_opinion(finding, after)
    for twin in finding.look_alikes:
        _check_twin(finding, twin, lines)


def _check_twin(finding: SlipFinding, twin: LookAlike, lines: Lines) -> None:
    board = board_of(twin.fen)
    board.parse_uci(finding.slip.uci)
    if twin.line and not lines.leads(twin.line, board.epd()):
        raise ValueError("the line of a look-alike does not lead to its position")
    for square in twin.squares:
        chess.parse_square(square)


def _check_bait(finding: BaitFinding, board: chess.Board) -> None:
    details = finding.bait_details
    for move in (details.repertoire_move, details.against):
        if move is not None:
            _same(board, move.san, move.uci)
    after = _after(board, finding.bait)
    for number, reply in enumerate(finding.replies):
        fallen = _after(after, reply.slip)
        _check_punished(fallen, reply.refutation)
        if not number:
            _line(fallen, finding.likely_line)
            _check_opinion(finding, fallen)
    _line(after, details.otherwise)


def _check_punished(after: chess.Board, refutation: Refutation | None) -> None:
    if refutation is None:
        return
    _same(after, refutation.san, refutation.uci)
    if refutation.line and after.parse_san(refutation.line[0]).uci() != after.parse_uci(refutation.uci).uci():
        raise ValueError("the refutation's line begins with another move")
    _line(after, refutation.line)


def _check_opinion(finding: Finding, after: chess.Board) -> None:
    opinion = finding.verified.second_engine
    if opinion is not None and opinion.reply:
        _playable(after, (opinion.reply,))


def _same(board: chess.Board, san: str, uci: str) -> chess.Move:
    """The move that both notations name."""
    move = board.parse_uci(uci)
    if board.parse_san(san) != move:
        raise ValueError(f"{sanitize(san, limit=20)} is not {sanitize(uci, limit=20)}")
    return move


def _after(board: chess.Board, move: MoveText) -> chess.Board:
    after = board.copy(stack=False)
    after.push(_same(board, move.san, move.uci))
    return after


def _playable(board: chess.Board, sans: Iterable[str]) -> None:
    """Each of the moves can be played here."""
    for san in sans:
        board.parse_san(san)


def _line(board: chess.Board, sans: Iterable[str]) -> None:
    """The moves can be played one after the other."""
    here = board.copy(stack=False)
    for san in sans:
        here.push_san(san)


def board_of(fen: str) -> chess.Board:
    """A board from a FEN; raises ValueError, also on one of absurd length."""
    if len(fen) > 120:
        raise ValueError("a FEN of more than 120 characters")
    board = chess.Board(fen)
    if board.king(chess.WHITE) is None or board.king(chess.BLACK) is None:
        raise ValueError("a position without a king")
    return board


__all__ = ["board_of", "check"]
