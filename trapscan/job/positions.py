"""The stage that examines positions: from a position to its slips, with their explanations."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import chess

from trapscan import explain
from trapscan.chance import FOUND, CountedModel, Evidence, load_model
from trapscan.contract import Instead
from trapscan.explain import Explanation
from trapscan.job.missed import replies, shows_at_once
from trapscan.job.stage import SEARCHED, Fields, Stage
from trapscan.job.tools import Tools
from trapscan.job.work import Recorder
from trapscan.model import ChanceModel, Chances, Examined, Position, Slip
from trapscan.search import Examiner
from trapscan.settings import POSITION_SETTINGS, Settings


@dataclass(frozen=True, slots=True)
class Task:
    """A position to examine, and what was played there in game files, if any were given and came there."""

    position: Position
    evidence: Evidence | None = None
    one_player: bool = False

    @property
    def epd(self) -> str:
        """The position's EPD."""
        return self.position.epd

    def cache_key(self) -> Fields:
        """The moves that led there decide too: the last of them are a part of what people see. Past the ends of lines
        less is spent."""
        counted = self.evidence is not None
        return {
            "start_fen": self.position.start_fen,
            "moves": self.position.moves,
            "prepared": self.position.prepared,
            "past_the_ends": self.position.beyond > 0,
            "evidence": self.evidence.digest() if self.evidence is not None else None,
            "one_player": self.one_player and counted,
        }

    @property
    def is_end(self) -> bool:
        """Whether a line of the repertoire ends here."""
        return not self.position.prepared

    def model(self, settings: Settings) -> ChanceModel:
        """The chances to examine it with."""
        base = load_model(settings.seconds)
        if self.evidence is None:
            return base
        return CountedModel(base, self.position.board(), self.evidence, one_player=self.one_player)


@dataclass(frozen=True, slots=True)
class ExplainedSlip:
    """A slip with its explanation. `find`: chance per level that the punisher plays a right refutation unprepared."""

    slip: Slip
    explanation: Explanation
    instead: tuple[Instead, ...]
    find: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that a scan keeps of one position. `asked` are digests of its queries, to count those that recur."""

    examined: Examined
    told: tuple[ExplainedSlip, ...]
    asked: tuple[int, ...]


def solve(tools: Tools, task: Task, recorder: Recorder) -> Outcome:
    """Examine and explain one position."""
    chosen = tools.settings.past_the_ends() if task.position.beyond else tools.settings
    return examine(task.position, recorder, task.model(chosen), chosen)


def examine(position: Position, evaluator: Recorder, model: ChanceModel, settings: Settings) -> Outcome:
    """A position's slips with their explanations. Pure but for what the evaluator and the model do."""
    board = position.board()
    chances = model.predict([board], settings.levels)[0]
    examined = Examiner(evaluator, model, settings, needs_more=explain.needs_more).examine(position, chances)
    told = tuple(_told(board, examined, model, settings, position.prepared))
    return Outcome(examined, told, evaluator.digests())


def _told(
    board: chess.Board, examined: Examined, model: ChanceModel, settings: Settings, own: tuple[str, ...]
) -> Iterator[ExplainedSlip]:
    """The slips explained. What they share is worked out once: the best line, what speaks for the other moves."""
    middle = min(range(len(settings.levels)), key=lambda i: abs(settings.levels[i] - settings.level))
    best_play = explain.Play.along(board, examined.best.pv)
    others = [(move, score, settings.noise_after(nodes)) for move, score, nodes in examined.others]
    slips = [slip.move for slip in examined.slips]
    merits: dict[str, str] = {}
    for slip, find in zip(examined.slips, _finds(board, examined, model, settings), strict=True):
        explanation = explain.explain_slip(
            board,
            chess.Move.from_uci(slip.move),
            best=examined.best,
            slip_score=slip.score,
            refutation=slip.refutation,
            best_play=best_play,
        )
        instead = explain.instead(
            board,
            examined.best,
            others,
            examined.chances,
            middle,
            slip=slip.move,
            punish=slip.refutation[0] if slip.refutation else "",
            slips=slips,
            own=own,
            merits=merits,
        )
        yield ExplainedSlip(slip, explanation, instead, find)


def _finds(
    board: chess.Board, examined: Examined, model: ChanceModel, settings: Settings
) -> Iterator[tuple[float, ...]]:
    """`ExplainedSlip.find` of each slip. The positions after them are put to the model in one call: that is cheaper."""
    boards = []
    for slip in examined.slips:
        boards.append(board.copy())
        boards[-1].push_uci(slip.move)
    for slip, chances in zip(examined.slips, model.predict(boards, settings.levels), strict=True):
        yield _find(examined, slip, chances, model, settings.levels)


def _find(
    examined: Examined, slip: Slip, chances: Chances, model: ChanceModel, levels: tuple[int, ...]
) -> tuple[float, ...]:
    """The chance that the punisher plays a right refutation, one of those that are named or another."""
    if not slip.refutation:
        return tuple(1.0 for _ in levels)
    right = (slip.refutation[0], *slip.also)
    joined = replies(examined.best, slip, chances, model, levels)
    plain = shows_at_once(slip)
    return tuple(FOUND.punished(sum(joined[move][i] for move in right), plain=plain) for i in range(len(levels)))


POSITIONS = Stage(
    "positions",
    "positions",
    solve,
    Outcome,
    settings=POSITION_SETTINGS,
    code=(*SEARCHED, "explain", "contract", "job/missed.py", "job/positions.py"),
    slips=lambda outcome: len(outcome.told),
)


__all__ = ["POSITIONS", "ExplainedSlip", "Outcome", "Task", "examine", "solve"]
