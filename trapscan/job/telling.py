"""The stage that tells a slip anew: other answers are tried, so that nothing is claimed that one of them refutes, and
the refutation is played out against the replies that people would choose."""

from __future__ import annotations

from dataclasses import dataclass

import chess
import msgspec

from trapscan import explain
from trapscan.chance import load_model
from trapscan.explain import Explanation
from trapscan.job.lines import try_lines
from trapscan.job.missed import Missed, missed
from trapscan.job.stage import SEARCHED, Fields, Stage
from trapscan.job.tools import Tools
from trapscan.job.work import Recorder
from trapscan.model import Evaluation, Line, Position, Query, Slip


@dataclass(frozen=True, slots=True)
class Telling:
    """A slip to be told: its position, the victim's best line there, its refutation, and the ply at which its gain is
    in hand."""

    position: Position
    best: Line
    slip: Slip
    ply: int

    @property
    def epd(self) -> str:
        """The position's EPD."""
        return self.position.epd

    def cache_key(self) -> Fields:
        """All of it that words and lines depend on."""
        return {
            "start_fen": self.position.start_fen,
            "moves": self.position.moves,
            "best": msgspec.to_builtins(self.best),
            "slip": msgspec.to_builtins(self.slip),
            "ply": self.ply,
        }


@dataclass(frozen=True, slots=True)
class Retold:
    """The slip's explanation, the refutation as it will be played (UCI, its first move on; empty where that is the
    main line), and the likeliest replies that let the slip off."""

    explanation: Explanation
    likely: tuple[str, ...]
    searches: int
    nodes: int
    let_off: tuple[Missed, ...] = ()


@dataclass(slots=True)
class Counting:
    """An evaluator that counts what is asked of another."""

    inner: Recorder
    searches: int = 0
    nodes: int = 0

    @property
    def multipv(self) -> bool:
        """The other's."""
        return self.inner.multipv

    @property
    def steady(self) -> bool:
        """The other's."""
        return self.inner.steady

    def evaluate(self, query: Query) -> Evaluation:
        """The other's answer."""
        answer = self.inner.evaluate(query)
        self.searches += 1
        self.nodes += answer.nodes
        return answer


def tell(tools: Tools, task: Telling, recorder: Recorder) -> Retold:
    """Try the other answers, and explain the slip by what came of them."""
    board, move = task.position.board(), chess.Move.from_uci(task.slip.move)
    best = task.best.pv[0] if task.best.pv else ""
    refutation, counted = task.slip.refutation, Counting(recorder)
    settings, model = tools.settings, load_model(tools.settings.seconds)
    tried = try_lines(board, move, refutation, task.ply, counted, model, settings.level, best=best)
    explanation = explain.explain_slip(
        board, move, best=task.best, slip_score=task.slip.score, refutation=refutation, tried=tried
    )
    let_off = missed(board, task.best, task.slip, counted, model, settings)
    return Retold(explanation, tried.likely, counted.searches, counted.nodes, let_off)


TELLING = Stage(
    "telling",
    "slips told anew",
    tell,
    Retold,
    settings=("level", "levels", "noise", "noise_exponent", "time_control", "hash_mb", "engine_options"),
    code=(*SEARCHED, "explain", "contract", "job/lines.py", "job/missed.py", "job/telling.py"),
)


__all__ = ["TELLING", "Retold", "Telling", "tell"]
