"""The stage that looks long at what a report says first: slips of the repertoire itself, answers that let a slip off,
and the first ideas of each kind. What does not stand up to it is not said."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import chess
import msgspec

from trapscan import explain
from trapscan.chance import load_model
from trapscan.explain import Explanation
from trapscan.job.stage import SEARCHED, Fields, Stage
from trapscan.job.tools import Tools
from trapscan.job.verdict import Verdict
from trapscan.job.work import Recorder
from trapscan.model import Examined, Line, Position, Query, Slip
from trapscan.score import loss
from trapscan.search import Examiner
from trapscan.settings import POSITION_SETTINGS, Budget, Settings

GLANCE_PART, SURE = 5, 3.0
"""A slip whose loss is so many times its noise over the threshold after this part of the budget needs no more."""

LEAST_PART, CLEAR = 20, 1.5
"""The search after an accused move goes on for this part of the budget, and until its loss is so many times its noise
away from the threshold."""

NOISY_PART, NOISY_LEAST = 2, 4
"""A noisy engine takes this part of `verify_nodes` (its budgets grow by its noise), for each position at once, and the
search after a move at least so much of that: a part of it shows much that is not there."""

SIDE_PART = 16
"""What bears a slip out, and what else is asked about it, takes this part of the budget."""

LIKELY, ALONE = 0.1, 1e-6
"""An accused move is examined as one of at least this chance, so that nothing is spared (see search); the others, set
to nothing, lie below the second."""


@dataclass(frozen=True, slots=True)
class Recheck:
    """A position and the slips of it (UCI) that are to be looked at, each with the answer (UCI) that the repertoire
    has prepared for it, or ""."""

    position: Position
    slips: tuple[tuple[str, str], ...]

    @property
    def epd(self) -> str:
        """The position's EPD."""
        return self.position.epd

    def cache_key(self) -> Fields:
        """As in the search of positions, and what is asked."""
        return {"start_fen": self.position.start_fen, "moves": self.position.moves, "slips": self.slips}


@dataclass(frozen=True, slots=True)
class Rechecked:
    """The verdicts on a position's slips, `best` being the victim's best line."""

    best: Line
    verdicts: tuple[Verdict, ...]
    searches: int
    nodes: int
    asked: tuple[int, ...]


def look(tools: Tools, task: Recheck, recorder: Recorder) -> Rechecked:
    """Examine the accused moves alone: with a part of the budget, and those that it leaves in any doubt with all. With
    a noisy engine there is one look, long enough for its verdicts to be confirmed as those of others are."""
    most, left = tools.settings.verify_nodes, [move for move, _ in task.slips]
    if recorder.steady:
        looks = [long_look(tools.settings, most // GLANCE_PART), long_look(tools.settings, most)]
    else:
        looks = [long_look(tools.settings, most // NOISY_PART, NOISY_LEAST)]
        recorder.steady = True
    found: dict[str, Slip] = {}
    nodes = searches = 0
    for settings in looks:  # scores of one position are measured against one best move: that of the last look
        seen = _examine(task, left, settings, recorder)
        nodes, searches = nodes + seen.nodes, searches + seen.searches
        is_last = settings is looks[-1]
        found |= {slip.move: slip for slip in seen.slips if is_last or _is_sure(seen.best, slip, settings)}
        left = [move for move in left if move not in found]
        if not left:
            break
    board, verdicts = task.position.board(), []
    for move, answer in task.slips:
        slip, score = found.get(move), None
        if answer and slip is not None:
            after = board.copy(stack=False)
            after.push_uci(move)
            after.push_uci(answer)
            said = recorder.evaluate(Query(after.epd(), settings.budgets[0].most // 2))
            score, nodes, searches = said.best.score.of(board.turn), nodes + said.nodes, searches + 1
        verdicts.append(Verdict(move, slip, _explained(board, seen.best, slip), score))
    return Rechecked(seen.best, tuple(verdicts), searches, nodes, recorder.digests())


def _examine(task: Recheck, moves: Collection[str], settings: Settings, recorder: Recorder) -> Examined:
    """The position with these moves alone to be looked at, whatever their chance."""
    position, model = replace(task.position, prepared=()), load_model(settings.seconds)
    chances = model.predict([position.board()], settings.levels)[0]
    alone = {move: tuple(max(share, LIKELY) * (move in moves) for share in chances[move]) for move in chances}
    return Examiner(recorder, model, settings, needs_more=explain.needs_more).examine(position, alone)


def _is_sure(best: Line, slip: Slip, settings: Settings) -> bool:
    """Whether a slip is clear enough after a part of the budget."""
    noise = settings.noise_after(settings.best_nodes)
    return loss(best.score, slip.score) >= settings.threshold + SURE * noise


def _explained(board: chess.Board, best: Line, slip: Slip | None) -> Explanation | None:
    if slip is None:
        return None
    move = chess.Move.from_uci(slip.move)
    return explain.explain_slip(board, move, best=best, slip_score=slip.score, refutation=slip.refutation)


def long_look(settings: Settings, nodes: int, part: int = LEAST_PART) -> Settings:
    """The settings with the budgets of a look of so many nodes: never less than they are. The search after a move takes
    at least a `part`-th."""
    most = max(nodes, settings.best_nodes)
    budget = Budget(chance=0.0, least=max(100, most // part), most=most, sigmas=CLEAR)
    side = max(settings.refutation_nodes, most // SIDE_PART)
    return msgspec.structs.replace(
        settings,
        budgets=(budget,),
        best_nodes=most,
        confirm_nodes=max(settings.confirm_nodes, side),
        refutation_nodes=side,
        min_prior=ALONE,
        min_chance=0.0,
    )


RECHECK = Stage(
    "accused",
    "positions looked at again",
    look,
    Rechecked,
    settings=POSITION_SETTINGS | {"verify_nodes"},
    code=(*SEARCHED, "explain", "contract", "job/recheck.py", "job/verdict.py"),
)


__all__ = ["RECHECK", "Recheck", "Rechecked", "long_look", "look"]
