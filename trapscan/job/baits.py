"""Looking for baits: at each position of ours, which alternatives set tricks, each examined like any other position.

A task is a position of ours and the repertoire's move there; its outcome depends on these alone. Outcomes are kept in
the store as those of positions are, and the engine's answers are shared with the rest of the scan.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import msgspec

from trapscan import graph
from trapscan.chance import expected
from trapscan.errors import EngineError
from trapscan.job import bait_terms
from trapscan.job.bait_terms import BaitOutcome, Tried, terms
from trapscan.job.run import BAIT_SETTINGS, Job
from trapscan.job.work import (
    Outcome,
    Recorder,
    Task,
    Tools,
    cpu_so_far,
    digest_of,
    recorder_for,
    restarts_so_far,
    solve,
)
from trapscan.levels import at_level
from trapscan.model import ChanceModel, Evaluation, Line, Position, Query
from trapscan.search import MUCH, Prospector
from trapscan.settings import Settings

OUTCOMES = "baits"
"""The store's table of positions searched for baits."""

NEAR = 2.0
"""A price between the limit divided by this and the limit times this is measured again, if the move brings enough at
the lower of the two."""

BAIT_WORTH = 1.9
"""What searching a position of ours for baits takes, in examinations of a position; for the time left only."""


@dataclass(frozen=True, slots=True)
class BaitTask:
    """A position of ours, with the counts that concern it, and our best line as its examination has found it. `move`
    is the repertoire's move (UCI), `after` the position it leads to, both None where the repertoire holds none."""

    at: Task
    best: Line
    move: str | None
    after: Position | None

    @property
    def position(self) -> Position:
        """The position of ours."""
        return self.at.position


@dataclass(frozen=True, slots=True)
class BaitFinished:
    """What a worker sends back; see job.work.Finished."""

    epd: str
    outcome: BaitOutcome | None
    fresh: tuple[tuple[Query, Evaluation], ...]
    problem: str
    engine_seconds: float
    engine_cpu: float
    seconds: float
    restarts: int


class Looking:
    """The search of one position of ours: what was asked about it so far."""

    def __init__(self, task: BaitTask, evaluator: Recorder, model: ChanceModel, settings: Settings) -> None:
        self.task, self.evaluator, self.model, self.settings = task, evaluator, model, settings
        self.prospector = Prospector(evaluator, model, settings, expected)
        self.tried: dict[str, Tried] = {}

    def measure(self) -> str | None:
        """The move that baits are measured against: the repertoire's, or the engine's first choice where that costs too
        much. None, for best play, where the repertoire holds no move: any move of ours would set some trick, the one
        that it is measured against too."""
        task = self.task
        if task.move is None or task.after is None:
            return None
        prepared = self.examine(task.move, task.after)
        price = self.prospector.price(self.task.best, prepared.at_best_play)
        if task.move == self.task.best.pv[0] or price <= self.settings.bait_price:
            return task.move
        return self.examine(self.task.best.pv[0]).move

    def examine(self, move: str, after: Position | None = None) -> Tried:
        """The position after the move, as any other is examined; what was examined once is not again."""
        if move not in self.tried:
            position = after or graph.extend(self.task.position, move)
            outcome = solve(position, self.evaluator, self.model, self.settings)
            refined = self.prospector.refine(outcome.examined, position.board())
            self.tried[move] = Tried(move, position, Outcome(refined, outcome.told, ()))
        return self.tried[move]

    def search(self, measure: str | None) -> BaitOutcome:
        """Examine the most promising moves: `bait_verified`, and all that promise much, as far as `bait_nodes` go."""
        task, settings = self.task, self.settings
        to_beat = (
            expected(task.best.score, settings.level)
            if measure is None
            else self.prospector.first_value(self.tried[measure].outcome.examined)
        )
        known = {*task.position.prepared, *self.tried}
        for place, prospect in enumerate(self.prospector.choose(task.position, task.best, known, to_beat)):
            wanted = place < settings.bait_verified or prospect.promise >= MUCH
            if wanted and self.nodes < settings.bait_nodes:
                self.settle(measure, self.examine(prospect.move))
        return self.outcome(measure)

    def outcome(self, measure: str | None) -> BaitOutcome:
        """What came of it."""
        task, prepared = self.task, self.tried.get(self.task.move or "")
        return BaitOutcome(
            epd=task.position.epd,
            best=task.best,
            move=task.move,
            score=prepared.at_best_play if prepared is not None else None,
            measure=measure,
            tried=tuple(self.tried.values()),
            searches=len(self.evaluator.asked),
            nodes=self.nodes,
            asked=tuple(digest_of(query) for query in self.evaluator.asked),
        )

    def settle(self, measure: str | None, tried: Tried) -> None:
        """Measure the move's price again with more nodes, if it is near the limit and the rest may speak for it."""
        found = self.outcome(measure)
        if not found.is_candidate(tried, self.task.position):
            return
        now = terms(found, tried, self.settings)
        limit, price = self.settings.bait_price, self._here(now.prices)
        if limit / NEAR < price < limit * NEAR and now.brings_enough_but(price - limit / NEAR):
            scores = self.prospector.scores_of_price(self.task.position, tried.position)
            self.tried[tried.move] = replace(tried, price_scores=scores)

    def _here(self, by_level: Sequence[float]) -> float:
        return at_level(by_level, self.settings.levels, self.settings.level)

    @property
    def nodes(self) -> int:
        """Nodes behind the answers used, wherever they came from: what is examined must not depend on the store."""
        return self.prospector.nodes + sum(each.outcome.examined.nodes for each in self.tried.values())


def look(task: BaitTask, evaluator: Recorder, model: ChanceModel, settings: Settings) -> BaitOutcome:
    """Search one position of ours for baits. Pure but for what the evaluator does."""
    looking = Looking(task, evaluator, model, settings)
    return looking.search(looking.measure())


# --- in the worker process -------------------------------------------------------------------------------------------


def work(tools: Tools, task: BaitTask) -> BaitFinished:
    """One task; what fails makes a problem, not an end (see job.work.work)."""
    start, restarts, cpu = time.perf_counter(), restarts_so_far(tools), cpu_so_far(tools)
    recorder, outcome, problem = recorder_for(tools), None, ""
    try:
        outcome = look(task, recorder, task.at.model(), tools.settings)
    except EngineError as exc:
        problem = str(exc)
    except (AssertionError, ArithmeticError, LookupError, TypeError, ValueError) as exc:
        problem = f"a fault in trapscan, please report it: {type(exc).__name__} {exc}".strip()
    return BaitFinished(
        task.position.epd,
        outcome,
        tuple(recorder.fresh.items()),
        problem,
        recorder.engine_seconds,
        max(0.0, cpu_so_far(tools) - cpu),
        time.perf_counter() - start,
        restarts_so_far(tools) - restarts,
    )


# --- all of them -----------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Baits:
    """Runs the tasks of a scan; `problems` collects (EPD, text) of those that failed."""

    job: Job
    outcomes: dict[str, BaitOutcome] = field(default_factory=dict)
    problems: list[tuple[str, str]] = field(default_factory=list)

    def run(self, tasks: Sequence[BaitTask]) -> None:
        """Fill `outcomes`, by EPD in the order of the tasks; each result is stored before the next is looked at."""
        progress, store, stats = self.job.progress, self.job.store, self.job.stats
        progress.add(len(tasks))
        keys = {task.position.epd: self._key(task) for task in tasks}
        done: dict[str, BaitOutcome] = {}
        known = store.get_blobs(OUTCOMES, list(keys.values()))
        waiting = []
        for task in tasks:
            outcome = _decode(known.get(keys[task.position.epd]))
            if outcome is None:
                waiting.append(task)
            else:
                done[task.position.epd] = self._small(outcome)
                progress.step(1, 0)
        stats.baits += len(tasks)
        stats.baits_searched += len(waiting)
        start = time.perf_counter()
        for number, finished in enumerate(self.job.workers.each(work, self.job.tools, waiting), 1):
            progress.left((time.perf_counter() - start) / number * (len(waiting) - number))
            stats.engine_seconds += finished.engine_seconds
            stats.engine_cpu += finished.engine_cpu
            stats.worker_seconds += finished.seconds
            stats.restarts += finished.restarts
            stats.searched_nodes += sum(evaluation.nodes for _, evaluation in finished.fresh)
            store.put(self.job.tools.identity, finished.fresh)
            if finished.outcome is not None:
                store.put_blobs(OUTCOMES, {keys[finished.epd]: msgspec.msgpack.encode(finished.outcome)})
                done[finished.epd] = self._small(finished.outcome)
            elif finished.problem:
                self.problems.append((finished.epd, finished.problem))
            progress.step(1, 0)
        if waiting:
            stats.jobs = self.job.workers.jobs
            stats.search_wall_seconds += time.perf_counter() - start
        self.outcomes |= {task.position.epd: done[task.position.epd] for task in tasks if task.position.epd in done}

    def _small(self, outcome: BaitOutcome) -> BaitOutcome:
        """The same in less memory, the queries counted and taken out."""
        small = self.job.small
        small.count(outcome.asked)
        tried = tuple(replace(each, outcome=small(each.outcome)) for each in outcome.tried)
        return replace(outcome, tried=tried, asked=())

    def _key(self, task: BaitTask) -> str:
        settings = self.job.tools.settings
        decisive = {name: value for name, value in settings.public().items() if name in BAIT_SETTINGS}
        code = b"".join(Path(module).read_bytes() for module in (__file__, bait_terms.__file__))
        after, evidence = task.after, task.at.evidence
        text = "|".join(
            (
                self.job.salt,
                hashlib.sha256(msgspec.json.encode(decisive, order="sorted") + code).hexdigest(),
                *(f"{p.start_fen} {' '.join(p.moves)} {' '.join(p.prepared)}" for p in (task.position, after) if p),
                f"{task.move} {task.best}",
                *((evidence.digest(), str(task.at.one_player)) if evidence is not None else ()),
            )
        )
        return hashlib.sha256(text.encode()).hexdigest()


def _decode(blob: bytes | None) -> BaitOutcome | None:
    if blob is None:
        return None
    try:
        return msgspec.msgpack.decode(blob, type=BaitOutcome)
    except msgspec.MsgspecError:
        return None  # written by other code after all: search again


__all__ = ["BaitOutcome", "BaitTask", "Baits", "Tried", "look", "work"]
