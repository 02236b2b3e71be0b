"""Running stages: what the store already knows, then the rest in parallel, each result kept as it arrives."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import Any, Generic, Protocol, TypeVar

import msgspec

from trapscan.engines import Store
from trapscan.errors import EngineError
from trapscan.job.stage import Keyed, OutcomeT, Stage, TaskT
from trapscan.job.tools import Tools
from trapscan.job.work import Finished, attempt
from trapscan.job.workers import Workers, is_over
from trapscan.progress import Progress

T = TypeVar("T")
T_contra = TypeVar("T_contra", contravariant=True)
Key = Callable[[TaskT], Any]
"""What tasks are sorted by."""

FAILED_AT_FIRST = 3
"""So many failures in a row, with nothing good before, end the scan: that engine will never do."""
FAILED_AT_LAST = 10
"""So many in a row later on, and the engine is given up. (Each may take a minute: it is asked twice.)"""

UNASKED = f"not looked at: the engine failed {FAILED_AT_LAST} times in a row and was given up"
"""The problem of a task that a given-up engine was not asked about."""

PART = 500
"""Outcomes looked up at once: thousands as they lie in the store are much."""


@dataclass(slots=True)
class Count:
    """Of one stage: tasks that came to an outcome, those of them that were in the store, tasks that were tried here."""

    unit: str
    done: int = 0
    from_store: int = 0
    searched: int = 0

    @property
    def asked(self) -> int:
        """Tasks in all, those that failed among them."""
        return self.from_store + self.searched


@dataclass(slots=True)
class Stats:
    """How a run went. Never part of the report, whose bytes do not depend on it. Times in seconds."""

    stages: dict[str, Count] = field(default_factory=dict)
    searched_nodes: int = 0
    engine_seconds: float = 0.0
    engine_cpu: float = 0.0
    worker_seconds: float = 0.0
    wall_seconds: float = 0.0
    search_wall_seconds: float = 0.0
    jobs: int = 1
    slips: int = 0
    restarts: int = 0
    notes: list[str] = field(default_factory=list)

    def of(self, stage: Stage[Any, Any]) -> Count:
        """The count of a stage; one that nobody sees where it is passing."""
        return Count(stage.unit) if stage.passing else self.stages.setdefault(stage.name, Count(stage.unit))

    @property
    def positions(self) -> Count:
        """The count of the positions examined."""
        return self.stages.get("positions") or Count("positions")

    def add(self, finished: Finished[Any]) -> None:
        """Another task is done."""
        self.engine_seconds += finished.engine_seconds
        self.engine_cpu += finished.engine_cpu
        self.worker_seconds += finished.seconds
        self.searched_nodes += finished.searched_nodes
        self.restarts += finished.restarts

    @property
    def searched(self) -> int:
        """Tasks of all stages that were not in the store."""
        return sum(count.searched for count in self.stages.values())

    def text(self) -> str:
        """One line for the user."""
        counted = [
            f"{count.asked} {count.unit}{f' ({count.from_store} from the store)' * bool(count.from_store)}"
            for count in self.stages.values()
            if count.asked
        ]
        if not self.searched:
            said = ", ".join(f"{count.asked} {count.unit}" for count in self.stages.values() if count.asked)
            return f"{said or 'No positions'}, all from the store; {self.wall_seconds:.1f} s, no engine started."
        restarts = f" An engine that failed was started again {self.restarts} times." if self.restarts else ""
        return (
            f"{', '.join(counted)}, {self.searched_nodes:,} engine nodes, {self.wall_seconds:.1f} s with {self.jobs} "
            f"worker{'s' * (self.jobs > 1)}, engines busy {self.busy:.0%}.{restarts}"
        )

    @property
    def busy(self) -> float:
        """Share of wall time x workers in which an engine was searching, over the part of the run that searched."""
        room = self.search_wall_seconds * self.jobs
        return self.engine_seconds / room if room else 0.0

    @property
    def used(self) -> float:
        """Share of wall time x workers that engines had of the processor: less than `busy` where other programs want it
        too."""
        room = self.search_wall_seconds * self.jobs
        return self.engine_cpu / room if room else 0.0


@dataclass(frozen=True, slots=True)
class Done(Generic[TaskT, OutcomeT]):
    """A task that is done: its outcome, or None and the reason in `problem`. `fresh`: it was not in the store."""

    task: TaskT
    outcome: OutcomeT | None
    problem: str = ""
    fresh: bool = False


class TimeLeft(Protocol[T_contra]):
    """Reckons how long a stage will still take."""

    def looked_up(self, known: int, waiting: Sequence[T_contra]) -> None:
        """So many tasks were in the store, these wait for a worker."""
        ...

    def searched(self, task: T_contra, seconds: float) -> None:
        """This one took so many seconds of a worker's time."""
        ...

    def seconds(self, passed: float) -> float | None:
        """Seconds left, `passed` seconds of searching after the scan's start; None while nothing can be said."""
        ...


@dataclass(slots=True)
class Even(Generic[T]):
    """Time left where all tasks cost the same, as far as is known."""

    waiting: int = 0
    done: int = 0
    _start: float = field(default_factory=time.perf_counter)

    def looked_up(self, known: int, waiting: Sequence[T]) -> None:
        """See TimeLeft."""
        self.waiting, self._start = len(waiting), time.perf_counter()

    def searched(self, task: T, seconds: float) -> None:
        """See TimeLeft."""
        self.done += 1

    def seconds(self, passed: float) -> float | None:
        """See TimeLeft."""
        return (time.perf_counter() - self._start) / self.done * (self.waiting - self.done) if self.done else None


@dataclass(slots=True)
class Job:
    """What all stages of a scan share: the store, the workers, who is told, the counts, and the time: no task is begun
    after `until` (`time.monotonic`), and `cut` says whether any was left for it."""

    store: Store
    workers: Workers
    progress: Progress
    stats: Stats = field(default_factory=Stats)
    until: float | None = None
    cut: bool = False
    _failures: dict[str, list[str]] = field(default_factory=dict)
    _worked: set[str] = field(default_factory=set)
    """By engine (its identity): the failures in a row up to now."""

    def each(
        self,
        stage: Stage[TaskT, OutcomeT],
        tools: Tools,
        tasks: Sequence[TaskT],
        *,
        order: Key[TaskT] | None = None,
        left: TimeLeft[TaskT] | None = None,
        announced: bool = False,
    ) -> Iterator[Done[TaskT, OutcomeT]]:
        """Every task as it is done, those in the store first. Each result is in the store before it is given here, so
        that a kill loses only what was in flight. Raises EngineError where the engine fails at all that is tried first;
        one that fails so later is given up: what is left is UNASKED.

        What is not in the store is worked on by rising `order`; by its key where there is none, which is as good as
        shuffled, so that what is done is a fair sample of all. What an outcome is does not depend on the order.
        """
        if not stage.passing and not announced:
            self.progress.add(len(tasks))
        count, left = self.stats.of(stage), left or Even()
        keys = stage.keys(tools, tasks)
        waiting: list[int] = []
        for number, outcome in self._stored(stage, keys):
            if outcome is None:
                waiting.append(number)
            else:
                count.from_store += 1
                yield self._told(stage, Done(tasks[number], outcome))
        waiting.sort(key=lambda number: ((order(tasks[number]),) if order else ()) + (keys[number],))
        left.looked_up(len(tasks) - len(waiting), [tasks[number] for number in waiting])
        if not waiting:
            return
        begun, before = time.perf_counter(), self.stats.search_wall_seconds
        numbered = {number: tasks[number] for number in waiting}
        for finished in self._finished(stage, tools, numbered):
            task, outcome = numbered.pop(finished.number), finished.outcome
            self._keep(stage, tools, keys[finished.number], finished)
            count.searched += 1
            left.searched(task, finished.seconds)
            self.stats.search_wall_seconds = before + time.perf_counter() - begun
            if not stage.passing:
                self.progress.left(left.seconds(self.stats.search_wall_seconds))
            yield self._told(stage, Done(task, outcome, finished.problem, fresh=True))
        self.stats.jobs = self.workers.jobs
        self.stats.search_wall_seconds = before + time.perf_counter() - begun
        if numbered and is_over(self.until):
            self.cut = True
            return
        for task in numbered.values():
            yield self._told(stage, Done(task, None, UNASKED))

    def known(
        self, stage: Stage[TaskT, OutcomeT], tools: Tools, tasks: Sequence[TaskT]
    ) -> Iterator[Done[TaskT, OutcomeT]]:
        """Those of the tasks that are in the store. Their number must be announced to whoever watches."""
        for number, outcome in self._stored(stage, stage.keys(tools, tasks)):
            if outcome is not None:
                self.stats.of(stage).from_store += 1
                yield self._told(stage, Done(tasks[number], outcome))

    def _stored(self, stage: Stage[TaskT, OutcomeT], keys: Sequence[str]) -> Iterator[tuple[int, OutcomeT | None]]:
        """What the store has under these keys, by their numbers."""
        for start in range(0, len(keys), PART):
            part = range(start, min(start + PART, len(keys)))
            known = self.store.get_blobs(stage.name, [keys[number] for number in part])
            for number in part:
                yield number, stage.read(known.get(keys[number]))

    def _finished(
        self, stage: Stage[TaskT, OutcomeT], tools: Tools, numbered: Mapping[int, TaskT]
    ) -> Iterator[Finished[OutcomeT]]:
        """What the workers send back, as long as the engine is worth the trouble."""
        failures = self._failures.setdefault(tools.identity, [])
        if len(failures) >= FAILED_AT_LAST:
            return
        with contextlib.closing(
            self.workers.each(partial(attempt, stage.solve), tools, list(numbered.items()), until=self.until)
        ) as results:
            for finished in results:
                if not finished.engine_failed:
                    self._worked.add(tools.identity)
                    failures.clear()
                else:
                    failures.append(finished.problem)
                yield finished
                self._end_if_hopeless(tools, failures, len(failures) >= FAILED_AT_FIRST)
                if len(failures) >= FAILED_AT_LAST:
                    return
        self._end_if_hopeless(tools, failures, bool(failures))

    def _end_if_hopeless(self, tools: Tools, failures: Sequence[str], tried: bool) -> None:
        known = any(count.done for count in self.stats.stages.values())
        if tried and tools.identity not in self._worked and not known:
            raise EngineError(
                f"the engine failed at all of the first positions ({len(failures)}), and nothing is reported: "
                f"{failures[-1]}; try another engine, or other settings for it"
            )

    def _keep(self, stage: Stage[TaskT, OutcomeT], tools: Tools, key: str, finished: Finished[OutcomeT]) -> None:
        self.stats.add(finished)
        self.store.put(tools.identity, finished.fresh)
        if finished.outcome is not None:
            self.store.put_blobs(stage.name, {key: msgspec.msgpack.encode(finished.outcome)})

    def _told(self, stage: Stage[TaskT, OutcomeT], done: Done[TaskT, OutcomeT]) -> Done[TaskT, OutcomeT]:
        slips = 0
        if stage.passing:
            return done
        if done.outcome is not None:
            self.stats.of(stage).done += 1
            slips = stage.slips(done.outcome)
            self.stats.slips += slips
        self.progress.step(1, slips)
        return done


__all__ = ["UNASKED", "Count", "Done", "Even", "Job", "Keyed", "Stats", "TimeLeft"]
