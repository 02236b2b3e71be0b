"""What a worker process does: it solves one task of a stage with its own engine.

Everything here is at module level and travels as plain frozen data, so that joblib may run it in another process or on
another machine. A worker keeps its engines from task to task.
"""

from __future__ import annotations

import atexit
import os
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from hashlib import blake2b
from pathlib import Path
from typing import Generic, TypeVar

from trapscan.engines import Engine, Store
from trapscan.errors import EngineError
from trapscan.job.tools import Tools
from trapscan.model import Evaluation, Query

LAST_SECONDS = 5.0
"""How long a worker whose scan is gone may take to end its engines."""

TaskT = TypeVar("TaskT")
OutcomeT = TypeVar("OutcomeT")


@dataclass(slots=True)
class Recorder:
    """An evaluator that answers from the store where it can, asks the engine where it must, and remembers both."""

    multipv: bool
    steady: bool
    stored: Callable[[Query], Evaluation | None]
    live: Callable[[Query], Evaluation]
    fresh: dict[Query, Evaluation] = field(default_factory=dict)
    asked: list[Query] = field(default_factory=list)
    engine_seconds: float = 0.0

    def evaluate(self, query: Query) -> Evaluation:
        """The stored answer, or the engine's."""
        self.asked.append(query)
        known = self.fresh.get(query) or self.stored(query)
        if known is not None:
            return known
        start = time.perf_counter()
        try:
            answer = self.live(query)
        finally:
            self.engine_seconds += time.perf_counter() - start
        self.fresh[query] = answer
        return answer

    def digests(self) -> tuple[int, ...]:
        """Numbers that stand for the queries asked: they tell which were asked more than once in a scan."""
        return tuple(_digest_of(query) for query in self.asked)


def _digest_of(query: Query) -> int:
    text = f"{query.epd}|{query.budget}|{query.moves}|{query.lines}|{query.until or ''}"
    return int.from_bytes(blake2b(text.encode(), digest_size=8).digest(), "big", signed=True)


@dataclass(frozen=True, slots=True)
class Finished(Generic[OutcomeT]):
    """What a worker sends back: the task's number, its outcome, or why there is none; the new answers for the store;
    seconds its engine was busy, seconds of processor time it took (0 where the system does not tell), and seconds the
    task took in all; how often its engine had to be started again, and whether it failed all the same."""

    number: int
    outcome: OutcomeT | None
    problem: str = ""
    fresh: tuple[tuple[Query, Evaluation], ...] = ()
    engine_seconds: float = 0.0
    engine_cpu: float = 0.0
    seconds: float = 0.0
    restarts: int = 0
    engine_failed: bool = False

    @property
    def searched_nodes(self) -> int:
        """Engine nodes really searched."""
        return sum(evaluation.nodes for _, evaluation in self.fresh)


def attempt(
    solve: Callable[[Tools, TaskT, Recorder], OutcomeT], tools: Tools, numbered: tuple[int, TaskT]
) -> Finished[OutcomeT]:
    """Solve one task. An engine that fails here, even after its restart, makes a problem, not an end; so does a fault
    of ours, which must not cost a night's work on the other tasks: it is listed, not hidden."""
    number, task = numbered
    start, restarts, cpu = time.perf_counter(), restarts_so_far(tools), cpu_so_far(tools)
    recorder, outcome, problem = recorder_for(tools), None, ""
    failed = False
    try:
        outcome = solve(tools, task, recorder)
    except EngineError as exc:
        problem, failed = str(exc), True
    except (AssertionError, ArithmeticError, LookupError, TypeError, ValueError) as exc:
        problem = f"a fault in trapscan, please report it: {type(exc).__name__} {exc}".strip()
    return Finished(
        number,
        outcome,
        problem,
        tuple(recorder.fresh.items()),
        recorder.engine_seconds,
        max(0.0, cpu_so_far(tools) - cpu),
        time.perf_counter() - start,
        restarts_so_far(tools) - restarts,
        failed,
    )


# --- the process and its engines -------------------------------------------------------------------------------------

_engines: dict[tuple[str, int], Engine] = {}
"""By identity and thread: a worker of a cluster may run several tasks at once, each with an engine of its own."""
_stores: dict[Path, Store] = {}


def ignore_sigint() -> None:
    """In a worker process: Ctrl-C is the parent's affair."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def exit_with_parent(owner: int) -> None:
    """The first thing in a worker process: where the scan (process `owner`) is killed nobody ends its workers, so each
    watches for it, and takes its engine along. It may have been killed before the worker had started."""

    def watch() -> None:
        while os.getppid() == owner:
            time.sleep(1.0)
        closing = threading.Timer(LAST_SECONDS, os._exit, (1,))  # whatever closing meets: the guard ends what is left
        closing.daemon = True
        closing.start()
        close_engines()
        os._exit(1)

    if os.name == "posix":
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGTERM})  # see workers
        threading.Thread(target=watch, daemon=True).start()


def close_engines() -> None:
    """End this process's engines and close its stores, whose last reader takes SQLite's working files away."""
    while _engines:
        _engines.popitem()[1].close()
    while _stores:
        _stores.popitem()[1].close()


atexit.register(close_engines)


def engine_of(tools: Tools) -> Engine:
    """This thread's engine for `tools`, made when first asked for."""
    key = tools.identity, threading.get_ident()
    if key not in _engines:
        settings = tools.settings
        _engines[key] = Engine(tools.spec, tools.probe, hash_mb=settings.hash_mb, options=settings.engine_options)
    return _engines[key]


def recorder_for(tools: Tools) -> Recorder:
    """A recorder over the store and this process's engine."""
    probe = tools.probe
    return Recorder(probe.multiline, probe.steady, _stored(tools), lambda query: engine_of(tools).evaluate(query))


def restarts_so_far(tools: Tools) -> int:
    """How often this thread's engine failed in a query and was started again."""
    engine = _engines.get((tools.identity, threading.get_ident()))
    return engine.restarts if engine is not None else 0


def cpu_so_far(tools: Tools) -> float:
    """Seconds of processor time this thread's engine has taken, 0 where the system does not tell."""
    engine = _engines.get((tools.identity, threading.get_ident()))
    return engine.cpu_seconds if engine is not None else 0.0


def _stored(tools: Tools) -> Callable[[Query], Evaluation | None]:
    path = tools.store
    if path is None:
        return lambda query: None
    if path not in _stores:
        _stores[path] = Store(path)
    store = _stores[path]

    def look(query: Query) -> Evaluation | None:
        return store.get(tools.identity, [query]).get(query)

    return look


__all__ = [
    "Finished",
    "Recorder",
    "attempt",
    "close_engines",
    "engine_of",
    "exit_with_parent",
    "ignore_sigint",
    "recorder_for",
]
