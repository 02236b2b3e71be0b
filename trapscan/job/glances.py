"""The stage that glances at positions, so that those where most is at stake are examined first: what the likely moves
cost, by a few hundred nodes each. Nothing of it is told."""

from __future__ import annotations

from dataclasses import dataclass

from trapscan.job.positions import POSITIONS, Task
from trapscan.job.stage import Stage
from trapscan.job.tools import Tools
from trapscan.job.work import Recorder
from trapscan.levels import at_level
from trapscan.model import Query
from trapscan.score import Score
from trapscan.search import choose_candidates
from trapscan.settings import Settings

NODES = 800
"""A move: some two hundredths of what the examination takes (scripts/run bench_first_page)."""


@dataclass(frozen=True, slots=True)
class Glance:
    """The likely moves of a position, each with its chance at the level and its score (the mover's view); and the
    chances of the repertoire's moves, per level, before an engine has looked."""

    moves: tuple[tuple[str, float, Score], ...]
    prepared: dict[str, tuple[float, ...]]


def glance(tools: Tools, task: Task, recorder: Recorder) -> Glance:
    """One search of all the likely moves, or one for each where the engine cannot tell them apart."""
    settings, board = tools.settings, task.position.board()
    chances = task.model(settings).predict([board], settings.levels)[0]
    moves = tuple(sorted(choose_candidates(chances, task.position.prepared, settings)))
    scores: dict[str, Score] = {}
    if recorder.multipv and moves:
        said = recorder.evaluate(Query(task.epd, NODES * len(moves), moves, len(moves)))
        scores = {line.pv[0]: line.score for line in said.lines if line.pv}
    else:
        for move in moves:
            after = board.copy(stack=False)
            after.push_uci(move)
            scores[move] = recorder.evaluate(Query(after.epd(), NODES)).best.score.of(board.turn)
    return Glance(
        tuple((move, _here(chances[move], settings), scores[move]) for move in moves if move in scores),
        {move: tuple(chances[move]) for move in task.position.prepared if move in chances},
    )


def _here(by_level: tuple[float, ...], settings: Settings) -> float:
    return at_level(by_level, settings.levels, settings.level)


GLANCES = Stage(
    "glances",
    "positions glanced at",
    glance,
    Glance,
    settings=("min_prior", "max_candidates", "level", "levels", "time_control", "hash_mb", "engine_options"),
    code=(*POSITIONS.code, "job/glances.py"),
    passing=True,
)


__all__ = ["GLANCES", "NODES", "Glance", "glance"]
