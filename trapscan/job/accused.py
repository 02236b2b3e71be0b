"""The stage that looks long at what a report says first: slips of the repertoire itself, answers that let a slip off,
and the first ideas of each kind. What does not stand up to it is not said."""

from __future__ import annotations

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
from trapscan.model import Line, Position, Query, Slip
from trapscan.search import Examiner
from trapscan.settings import POSITION_SETTINGS, Settings, Stake

LEAST_PART, CLEAR = 20, 1.5
"""The search after an accused move goes on for this part of the budget, and until its loss is so many times its noise
away from the threshold."""

SIDE_PART = 16
"""What bears a slip out, and what else is asked about it, takes this part of the budget."""

LIKELY, ALONE = 0.02, 1e-6
"""An accused move is examined as one of at least this chance; the others, set to nothing, lie below the second."""


@dataclass(frozen=True, slots=True)
class Accused:
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
class Looked:
    """The verdicts on a position's slips, `best` being the victim's best line."""

    best: Line
    verdicts: tuple[Verdict, ...]
    searches: int
    nodes: int
    asked: tuple[int, ...]


def look(tools: Tools, task: Accused, recorder: Recorder) -> Looked:
    """Examine the accused moves alone, with the settings' budget for it."""
    settings = long_look(tools.settings)
    position = replace(task.position, prepared=())
    board, model = position.board(), load_model()
    chances = model.predict([board], settings.levels)[0]
    wanted = {move for move, _ in task.slips}
    alone = {move: tuple(max(share, LIKELY) * (move in wanted) for share in chances[move]) for move in chances}
    examined = Examiner(recorder, model, settings, needs_more=explain.needs_more).examine(position, alone)
    found = {slip.move: slip for slip in examined.slips}
    nodes, searches = examined.nodes, examined.searches
    verdicts = []
    for move, answer in task.slips:
        slip, score = found.get(move), None
        if answer:
            after = board.copy(stack=False)
            after.push_uci(move)
            after.push_uci(answer)
            said = recorder.evaluate(Query(after.epd(), settings.stakes[0].most // 2))
            score, nodes, searches = said.best.score.of(board.turn), nodes + said.nodes, searches + 1
        verdicts.append(Verdict(move, slip, _explained(board, examined.best, slip), score))
    return Looked(examined.best, tuple(verdicts), searches, nodes, recorder.digests())


def _explained(board: chess.Board, best: Line, slip: Slip | None) -> Explanation | None:
    if slip is None:
        return None
    move = chess.Move.from_uci(slip.move)
    return explain.explain_slip(board, move, best=best, slip_score=slip.score, refutation=slip.refutation)


def long_look(settings: Settings) -> Settings:
    """The settings with the budgets of a long look: never less than they are."""
    most = max(settings.verify_nodes, settings.best_nodes)
    stake = Stake(chance=0.0, least=max(100, most // LEAST_PART), most=most, clear=CLEAR)
    side = max(settings.side_nodes, most // SIDE_PART)
    return msgspec.structs.replace(
        settings,
        stakes=(stake,),
        best_nodes=most,
        confirm_nodes=max(settings.confirm_nodes, side),
        side_nodes=side,
        min_prior=ALONE,
        min_chance=0.0,
    )


ACCUSED = Stage(
    "accused",
    "positions looked at again",
    look,
    Looked,
    settings=POSITION_SETTINGS | {"verify_nodes"},
    code=(*SEARCHED, "explain", "contract.py", "job/accused.py", "job/verdict.py"),
)


__all__ = ["ACCUSED", "Accused", "Looked", "long_look", "look"]
