"""A repertoire of a few moves, small settings, and a scan under observation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

import trapscan.job.run
from trapscan.engines import Engine, EngineSpec
from trapscan.job import Result, scan
from trapscan.job.positions import Outcome, Task
from trapscan.job.tools import Tools
from trapscan.job.work import Finished, Recorder, attempt
from trapscan.model import Evaluation, Query

BUDGETS: dict[str, Any] = {
    "budgets": [{"chance": 0.0, "least": 1000, "most": 3000}],
    "best_nodes": 5000,
    "confirm_nodes": 3000,
    "verify_nodes": 0,
}
SMALL = {
    **BUDGETS,
    "beyond": 1,
    "max_candidates": 3,
}

# White has one move everywhere, Black several; 3...Nf6 allows the scholar's mate (common practice, no source).
LINES = """[Event "Small"]
[Result "*"]

1. e4 e5 (1... c5 2. Nf3) (1... e6 2. d4) (1... c6) 2. Bc4 Nc6 3. Qh5 Nf6 *
"""
BEFORE_NF6 = "r1bqkbnr/pppp1ppp/2n5/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR b KQkq - 3 3"
AFTER_NF6 = "r1bqkb1r/pppp1ppp/2n2n2/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR"
MORE = LINES.replace("(1... c6)", "(1... c6 2. d4)")


@dataclass
class Spied:
    """A run, the positions it examined (EPD), and the questions that reached the engine."""

    result: Result
    store: Path
    examined: list[str] = field(default_factory=list)
    asked: list[Query] = field(default_factory=list)


def spied(file: Path, store: Path, engine: EngineSpec) -> Spied:
    """A scan with one worker, in this process, under observation."""
    examined: list[str] = []
    asked: list[Query] = []
    evaluate = Engine.evaluate

    def watch_attempt(
        solve: Callable[[Tools, Task, Recorder], Outcome], tools: Tools, numbered: tuple[int, Task]
    ) -> Finished[Outcome]:
        examined.append(numbered[1].epd)
        return attempt(solve, tools, numbered)

    def watch_evaluate(self: Engine, query: Query) -> Evaluation:
        asked.append(query)
        return evaluate(self, query)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(trapscan.job.run, "attempt", watch_attempt)
        patch.setattr(Engine, "evaluate", watch_evaluate)
        result = scan([file], engine=engine.command[0], jobs=1, store=store, settings=SMALL)
    return Spied(result, store, examined, asked)
