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
from trapscan.chance import chance_range, expected, load_model
from trapscan.errors import EngineError
from trapscan.job.run import BAIT_SETTINGS, Job
from trapscan.job.work import Outcome, Recorder, Tools, cpu_so_far, digest_of, recorder_for, restarts_so_far, solve
from trapscan.levels import at_level
from trapscan.model import ChanceModel, Evaluation, Line, Position, Query
from trapscan.score import Score
from trapscan.search import Prospector, worth
from trapscan.settings import Settings

OUTCOMES = "baits"
"""The store's table of positions searched for baits."""


BAIT_WORTH = 1.7
"""What searching a position of ours for baits takes, in examinations of a position; for the time left only."""


@dataclass(frozen=True, slots=True)
class BaitTask:
    """A position of ours. `move` is the repertoire's move (UCI), `after` the position it leads to, both None where the
    repertoire holds none."""

    position: Position
    move: str | None
    after: Position | None


@dataclass(frozen=True, slots=True)
class Tried:
    """A move of ours and the examination of the position after it."""

    move: str
    position: Position
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class BaitOutcome:
    """What came of a task: our best line; the repertoire's move and its score at best play, if there is one; the move
    that a bait is measured against (the repertoire's; the engine's first choice where that is dear, its second where
    there is none); the moves that may be baits. `searches`, `nodes` and `asked` count all that was asked."""

    epd: str
    best: Line
    move: str | None
    score: Score | None
    against: Tried
    tried: tuple[Tried, ...]
    searches: int
    nodes: int
    asked: tuple[int, ...]


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


def look(task: BaitTask, evaluator: Recorder, model: ChanceModel, settings: Settings) -> BaitOutcome | None:
    """Search one position of ours for baits; None where the game is over. Pure but for what the evaluator does."""
    prospector = Prospector(evaluator, model, settings, expected)
    best = prospector.best(task.position)
    if not best.pv:
        return None
    prepared = against = None
    if task.move is not None and task.after is not None:
        prepared = _try(task.after, task.move, evaluator, model, settings, prospector)
        if task.move == best.pv[0] or prospector.price(best, _at_best_play(prepared)) <= settings.bait_price:
            against = prepared
    if against is None:
        # with no move in the repertoire the first choice may itself be the bait: it must not be its own measure
        move = best.pv[0] if task.move is not None else prospector.second(task.position, best)
        against = _try(graph.extend(task.position, move), move, evaluator, model, settings, prospector)
    value = at_level(
        worth(against.outcome.examined, settings, expected, chance_range).value, settings.levels, settings.level
    )
    known = {*task.position.prepared, against.move}
    tried: list[Tried] = []
    for move in prospector.choose(task.position, best, known, value):
        if _spent(prospector, against, tried) >= settings.bait_nodes:
            break
        tried.append(_try(graph.extend(task.position, move), move, evaluator, model, settings, prospector))
    return BaitOutcome(
        epd=task.position.epd,
        best=best,
        move=task.move,
        score=_at_best_play(prepared) if prepared is not None else None,
        against=against,
        tried=tuple(tried),
        searches=len(evaluator.asked),
        nodes=_spent(prospector, against, tried),
        asked=tuple(digest_of(query) for query in evaluator.asked),
    )


def _at_best_play(tried: Tried) -> Score:
    """Our score after the move, at best play."""
    best = tried.outcome.examined.best.score
    return best.of(not best.side)


def _try(
    position: Position,
    move: str,
    evaluator: Recorder,
    model: ChanceModel,
    settings: Settings,
    prospector: Prospector,
) -> Tried:
    outcome = solve(position, evaluator, model, settings)
    examined = prospector.refine(outcome.examined, position.board())
    return Tried(move, position, Outcome(examined, outcome.told, ()))


def _spent(prospector: Prospector, against: Tried, tried: Sequence[Tried]) -> int:
    """Nodes behind the answers used, wherever they came from: what is examined must not depend on the store."""
    return prospector.nodes + sum(each.outcome.examined.nodes for each in (against, *tried))


# --- in the worker process -------------------------------------------------------------------------------------------


def work(tools: Tools, task: BaitTask) -> BaitFinished:
    """One task; what fails makes a problem, not an end (see job.work.work)."""
    start, restarts, cpu = time.perf_counter(), restarts_so_far(tools), cpu_so_far(tools)
    recorder, outcome, problem = recorder_for(tools), None, ""
    try:
        outcome = look(task, recorder, load_model(), tools.settings)
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
        against, *tried = (replace(each, outcome=small(each.outcome)) for each in (outcome.against, *outcome.tried))
        return replace(outcome, against=against, tried=tuple(tried), asked=())

    def _key(self, task: BaitTask) -> str:
        settings = self.job.tools.settings
        decisive = {name: value for name, value in settings.public().items() if name in BAIT_SETTINGS}
        code = Path(__file__).read_bytes()
        after = task.after
        text = "|".join(
            (
                self.job.salt,
                hashlib.sha256(msgspec.json.encode(decisive, order="sorted") + code).hexdigest(),
                *(f"{p.start_fen} {' '.join(p.moves)} {' '.join(p.prepared)}" for p in (task.position, after) if p),
                task.move or "",
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
