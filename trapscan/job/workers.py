"""Who does the work: this process, processes of this machine, or a cluster that the user names (`job.cluster`).

All are asked in one way: `each` gives results as they come, in any order. Workers keep their engines from one call to
the next, so that a scan starts each engine once.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import signal
import threading
import time
import warnings
from abc import ABC, abstractmethod
from collections.abc import Callable, Generator, Iterable, Iterator, Sequence
from types import TracebackType
from typing import Self, TypeVar

import joblib
from joblib.externals.loky import get_reusable_executor
from joblib.externals.loky.backend import resource_tracker
from joblib.externals.loky.process_executor import BrokenProcessPool

from trapscan.errors import WorkerError
from trapscan.job.tools import Tools
from trapscan.job.work import close_engines, exit_with_parent, ignore_sigint

Item = TypeVar("Item")
Result = TypeVar("Result")
Results = Generator[Result, None, None]

AHEAD = 3
"""Tasks handed out for each worker: the one it works on, and those it takes up next without waiting for us."""


MOST_BREAKS = 3
"""So often in a row workers may be killed from outside without one result in between."""


class Workers(ABC):
    """Something that does tasks in parallel; `jobs` is how many at once. A context manager: left by an exception or
    Ctrl-C, it waits for nothing that is in flight."""

    jobs: int

    @abstractmethod
    def each(
        self,
        task: Callable[[Tools, Item], Result],
        tools: Tools,
        items: Sequence[Item],
        *,
        until: float | None = None,
    ) -> Results[Result]:
        """`task(tools, item)` for every item, results as they come. `task` lies at module level. None is begun after
        `until` (`time.monotonic`, which all processes of a machine share); those at work then are waited for. Closed,
        it drops what is in flight."""

    @abstractmethod
    def close(self, *, at_once: bool = False) -> None:
        """End the workers' engines; may be called again. `at_once`: do not wait for what is in flight."""

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close(at_once=kind is not None)


class Processes(Workers):
    """Worker processes of this machine, or this process alone when `jobs` is 1.

    A worker that is killed from outside is replaced, and what it had in hand is done again; WorkerError when that
    happens MOST_BREAKS times without a result in between."""

    def __init__(self, jobs: int) -> None:
        self.jobs = jobs
        self._begun = False

    def each(
        self,
        task: Callable[[Tools, Item], Result],
        tools: Tools,
        items: Sequence[Item],
        *,
        until: float | None = None,
    ) -> Results[Result]:
        """See `Workers`."""
        if not items:
            return
        if self.jobs == 1:
            for item in items:
                if is_over(until):
                    return
                yield task(tools, item)
            return
        self._begun = True
        left = dict(enumerate(items))
        breaks = 0
        while left and not is_over(until):
            try:
                for number, results in self._in_pool(task, tools, list(left.items()), until):
                    breaks = 0
                    for result in results:
                        del left[number]
                        yield result
            except BrokenProcessPool as exc:
                # somebody killed a worker (the system, short of memory?): a night's work goes on with new ones
                breaks += 1
                if breaks == MOST_BREAKS:
                    raise WorkerError(
                        f"worker processes are killed again and again, {len(left)} positions are left (is memory short?"
                        " try fewer --jobs); what is finished is kept, the same command goes on from there"
                    ) from exc

    def _in_pool(
        self,
        task: Callable[[Tools, Item], Result],
        tools: Tools,
        numbered: Sequence[tuple[int, Item]],
        until: float | None,
    ) -> Iterator[tuple[int, tuple[Result, ...]]]:
        """Each item's number and result, as they come; no result where its worker came to it too late. Raises
        BrokenProcessPool when a worker is killed."""
        # joblib's advice to users of its generators, at every interrupt: no concern of a chess player
        warnings.filterwarnings("ignore", message=".* tasks .*unnecessary computation time", category=UserWarning)
        threading.excepthook = _unheard
        pool = joblib.Parallel(
            n_jobs=self.jobs,
            return_as="generator_unordered",
            batch_size=1,
            pre_dispatch=f"{AHEAD}*n_jobs",
            initializer=exit_with_parent,
            initargs=(os.getpid(),),
        )
        with _born_deaf():
            results = pool(
                joblib.delayed(_in_process)(number, task, tools, item, until)
                for number, item in in_time(numbered, until)
            )
        yield from results

    def close(self, *, at_once: bool = False) -> None:
        """See `Workers`."""
        close_engines()
        if self._begun:
            # the workers' engines end with them
            get_reusable_executor().shutdown(wait=True, kill_workers=at_once)
            self._begun = False


@contextlib.contextmanager
def _born_deaf() -> Iterator[None]:
    """Ctrl-C waits meanwhile, lest it meets a pool half made; and the processes that are started never hear it, not
    even before they run code of ours: a terminal sends it to all."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    _start_tracker()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    # what is ignored when a process starts Python leaves so; what is held back comes once it is minded here again
    ours = threading.current_thread() is threading.main_thread()
    handler = signal.signal(signal.SIGINT, signal.SIG_IGN) if ours else None
    try:
        yield
    finally:
        if handler is not None:
            signal.signal(signal.SIGINT, handler)
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _start_tracker() -> None:
    """joblib's process that clears up after others. It lets Ctrl-C through again when it starts, so it is started
    before that is held back; and what it clears up is no news to a chess player who ended a scan at once."""
    before = os.environ.get("PYTHONWARNINGS")
    os.environ["PYTHONWARNINGS"] = f"ignore::UserWarning:{resource_tracker.__name__}"
    try:
        resource_tracker.ensure_running()
    finally:
        if before is None:
            del os.environ["PYTHONWARNINGS"]
        else:
            os.environ["PYTHONWARNINGS"] = before


def _unheard(failure: threading.ExceptHookArgs) -> None:
    """joblib's own thread may stumble over work that was taken from it (seen: KeyError, in 2 of 17 interrupts):
    nobody waits for that work any more. Everything else is told as usual."""
    ours = failure.thread is not None and failure.thread.name == "ExecutorManagerThread"
    if not (ours and issubclass(failure.exc_type, KeyError)):
        threading.__excepthook__(failure)


def is_over(until: float | None) -> bool:
    """Whether it is later than that."""
    return until is not None and time.monotonic() >= until


def in_time(items: Iterable[Item], until: float | None) -> Iterator[Item]:
    """The items, as long as there is time."""
    return itertools.takewhile(lambda _: not is_over(until), items)


def _in_process(
    number: int, task: Callable[[Tools, Item], Result], tools: Tools, item: Item, until: float | None
) -> tuple[int, tuple[Result, ...]]:
    ignore_sigint()
    return number, () if is_over(until) else (task(tools, item),)


__all__ = ["AHEAD", "Processes", "Results", "Workers", "in_time", "is_over"]
