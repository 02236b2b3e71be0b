"""The stage that glances at positions, so that those where most is at stake are examined first: what the likely moves
cost, by some nodes each, and what a finding of each would be worth. Nothing of it is told."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import chess

from trapscan import explain
from trapscan.job.positions import POSITIONS, Task
from trapscan.job.stage import Stage
from trapscan.job.tools import Tools
from trapscan.job.valuing import nature_and_worth
from trapscan.job.work import Recorder
from trapscan.levels import at_level
from trapscan.model import Line, Query
from trapscan.order import PLAYED
from trapscan.score import Score, loss
from trapscan.search import choose_candidates
from trapscan.settings import Settings

NODES = 1600
"""A move: some twentieth of what the examination takes. With half of it, or half as much again, nine in ten of the
first page are there later (scripts/run bench_first_page)."""


@dataclass(frozen=True, slots=True)
class Glance:
    """The likely moves of a position, each with its chance at the level, its score (the mover's view), and what it
    would be worth as a finding (0 where it seems to be none); and the chances of the repertoire's moves, per level,
    before an engine has looked."""

    moves: tuple[tuple[str, float, Score, float], ...]
    prepared: dict[str, tuple[float, ...]]


def glance(tools: Tools, task: Task, recorder: Recorder) -> Glance:
    """One search of all the likely moves, or one for each where the engine cannot tell them apart."""
    settings, board = tools.settings, task.position.board()
    chances = task.model(settings).predict([board], settings.levels)[0]
    here = {move: at_level(by_level, settings.levels, settings.level) for move, by_level in chances.items()}
    prepared = task.position.prepared
    moves = tuple(
        sorted(
            move for move in choose_candidates(chances, prepared, settings) if here[move] >= PLAYED or move in prepared
        )
    )
    lines = _lines(task, board, moves, recorder)
    worths = dict(_worths(board, lines, here, settings))
    return Glance(
        tuple((line.pv[0], here[line.pv[0]], line.score, worths.get(line.pv[0], 0.0)) for line in lines),
        {move: tuple(chances[move]) for move in prepared if move in chances},
    )


def _lines(task: Task, board: chess.Board, moves: tuple[str, ...], recorder: Recorder) -> list[Line]:
    """Each move with its score (the mover's view) and how the game goes on."""
    if recorder.multipv and moves:
        said = recorder.evaluate(Query(task.epd, NODES * len(moves), moves, len(moves))).lines
        return sorted((line for line in said if line.pv), key=lambda line: line.pv[0])
    lines = []
    for move in moves:
        after = board.copy(stack=False)
        after.push_uci(move)
        best = recorder.evaluate(Query(after.epd(), NODES)).best
        lines.append(Line(best.score.of(board.turn), (move, *best.pv)))
    return lines


def _worths(
    board: chess.Board, lines: Sequence[Line], chance: dict[str, float], settings: Settings
) -> Iterator[tuple[str, float]]:
    """What the moves that seem to be slips would be worth as findings, at the level."""
    best = max(lines, key=lambda line: line.score.plain, default=None)
    if best is None:
        return
    play = explain.Play.along(board, best.pv)
    for line in lines:
        move, *refutation = line.pv
        if refutation and loss(best.score, line.score) >= settings.threshold:
            slip = chess.Move.from_uci(move)
            explanation = explain.explain_slip(
                board, slip, best=best, slip_score=line.score, refutation=tuple(refutation), best_play=play
            )
            after = board.copy(stack=False)
            after.push(slip)
            _, (worth,) = nature_and_worth(explanation, best.score, line.score, after, (chance[move],))
            yield move, worth


GLANCES = Stage(
    "glances",
    "positions glanced at",
    glance,
    Glance,
    settings=(
        "min_prior",
        "max_candidates",
        "threshold",
        "level",
        "levels",
        "time_control",
        "hash_mb",
        "engine_options",
    ),
    code=(*POSITIONS.code, "rank", "openings.py", "order.py", "job/valuing.py", "job/glances.py"),
    passing=True,
)


__all__ = ["GLANCES", "NODES", "Glance", "glance"]
