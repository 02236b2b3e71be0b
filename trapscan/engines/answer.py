"""Reading a search's info lines: exact scores only, the deepest complete set of lines, moves that are legal."""

from __future__ import annotations

from dataclasses import dataclass, field

import chess

from trapscan.errors import EngineAnswerError
from trapscan.model import Evaluation, Line
from trapscan.score import Score

LONGEST_PV = 24
"""Plies of a line that are kept."""


@dataclass(slots=True)
class Answer:
    """Collects the lines of one search. An exact line is never overwritten by a bound, wherever the flag stands.

    `exact` holds, for the two deepest depths seen, the last exact line of each MultiPV index.
    """

    wanted: int = 1
    exact: dict[int, dict[int, bytes]] = field(default_factory=dict)
    bound: bytes = b""
    last: bytes = b""
    bestmove: str = ""

    def take(self, line: bytes) -> bool:
        """Take one line of output; True when it was the bestmove line, which ends the search."""
        head = line[:9].lower()
        if head.startswith(b"info"):
            if b" string " in line:
                return False
            if b" nodes " in line:
                self.last = line
            if b" score " in line:
                self._score(line)
            return False
        if head.startswith(b"bestmove"):
            words = line.split()
            self.bestmove = words[1].decode("ascii", "replace").lower() if len(words) > 1 else ""
            return True
        return False

    def _score(self, line: bytes) -> None:
        if b"lowerbound" in line or b"upperbound" in line:
            self.bound = line
            return
        depth, index = _number(line, b"depth"), _number(line, b"multipv") or 1
        self.exact.setdefault(depth, {})[index] = line
        if len(self.exact) > 2:
            del self.exact[min(self.exact)]

    def evaluation(self, board: chess.Board) -> Evaluation:
        """The answer; raises EngineAnswerError when there is no score. Scores are of the side to move in `board`."""
        notes: list[str] = []
        lines = [_line(board, raw, self.bestmove, notes) for raw in self._chosen()]
        if not lines:
            if not self.bound:
                raise EngineAnswerError("a move but no score" if self.bestmove else "no score")
            notes.append("the engine gave only a bound")
            lines = [_line(board, self.bound, self.bestmove, notes)]
        lines.sort(key=lambda line: -line.score.plain)
        depth = max(self.exact, default=0)
        return Evaluation(tuple(lines), _number(self.last, b"nodes"), depth, tuple(notes))

    def _chosen(self) -> list[bytes]:
        """The lines of the deepest depth that is complete; where none is, the newest of each index."""
        if not self.exact:
            return []
        full = max(len(lines) for lines in self.exact.values())
        depth = max(depth for depth, lines in self.exact.items() if len(lines) == full)
        lines = self.exact[depth]
        return [lines[index] for index in sorted(lines)[: self.wanted]]


def _line(board: chess.Board, raw: bytes, bestmove: str, notes: list[str]) -> Line:
    head, _, tail = raw.partition(b" pv ")
    words = head.split()
    at = words.index(b"score")
    try:
        kind, value = words[at + 1].lower(), int(words[at + 2])
    except (IndexError, ValueError) as exc:
        raise EngineAnswerError(f"a score that is no number: {raw[:80]!r}") from exc
    if kind == b"mate":
        score = Score(board.turn, mate=value)
    elif kind == b"cp":
        score = Score(board.turn, cp=value)
    else:
        raise EngineAnswerError(f"a score of unknown kind: {raw[:80]!r}")
    moves = tail.decode("ascii", "replace").split() or [bestmove]
    pv, cut = _legal(board, moves[:LONGEST_PV])
    if not pv:
        raise EngineAnswerError(f"an illegal move: {moves[0][:20]!r}")
    if cut:
        notes.append("a line of the engine was cut at an illegal move")
    return Line(score, pv)


def _legal(board: chess.Board, moves: list[str]) -> tuple[tuple[str, ...], bool]:
    """The moves up to the first that is not legal, in standard UCI, and whether any were cut."""
    board = board.copy(stack=False)
    pv: list[str] = []
    for word in moves:
        try:
            move = board.parse_uci(word.lower())
        except ValueError:
            return tuple(pv), True
        pv.append(move.uci())
        board.push(move)
    return tuple(pv), False


def _number(line: bytes, name: bytes) -> int:
    words = line.split(maxsplit=40)
    try:
        return int(words[words.index(name) + 1])
    except (ValueError, IndexError):
        return 0
