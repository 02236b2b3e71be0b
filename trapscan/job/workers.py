"""Who does the work: this process, processes of this machine, or (`trapscan.job.cluster`) a cluster that the user names.

All are asked in one way: `each` gives results as they come, in any order. Workers keep their engines from one call to
the next, so that a scan starts each engine once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from types import TracebackType
from typing import Protocol, TypeVar

import joblib
from joblib.externals.loky import get_reusable_executor

from trapscan.job.work import Tools, close_engines, settle_in

Item = TypeVar("Item")
Result = TypeVar("Result")

AHEAD = 3
"""Tasks handed out for each worker: the one it works on, and what it takes up next without waiting for us."""


class Workers(Protocol):
    """Something that does tasks in parallel. `jobs` is how many at once."""

    jobs: int

    def each(
        self, task: Callable[[Tools, Item], Result], tools: Tools, items: Sequence[Item]
    ) -> Iterator[Result]:
        """`task(tools, item)` for every item, results as they come. `task` lies at module level."""
        ...

    def close(self, *, at_once: bool = False) -> None:
        """End the workers' engines; `at_once`: do not wait for what is in flight."""
        ...


class Processes:
    """Worker processes of this machine, or this process alone when `jobs` is 1. A context manager: left by an
    exception, it waits for nothing that is in flight."""

    def __init__(self, jobs: int) -> None:
        self.jobs = jobs
        self._begun = False

    def each(
        self, task: Callable[[Tools, Item], Result], tools: Tools, items: Sequence[Item]
    ) -> Iterator[Result]:
        """See `Workers`."""
        if not items:
            return
        if self.jobs == 1:
            for item in items:
                yield task(tools, item)
            return
        self._begun = True
        pool = joblib.Parallel(
            n_jobs=self.jobs, return_as="generator_unordered", batch_size=1, pre_dispatch=f"{AHEAD}*n_jobs"
        )
        yield from pool(joblib.delayed(_in_process)(task, tools, item) for item in items)

    def close(self, *, at_once: bool = False) -> None:
        """See `Workers`; may be called again."""
        close_engines()
        if self._begun:
            # the workers' engines end with them
            get_reusable_executor().shutdown(wait=True, kill_workers=at_once)
            self._begun = False


def _in_process(task: Callable[[Tools, Item], Result], tools: Tools, item: Item) -> Result:
    settle_in()
    return task(tools, item)


class closing:  # noqa: N801 - reads like contextlib.closing, which does not tell close() of an exception
    """Close workers at the end of a block: at once where an exception or Ctrl-C ends it."""

    def __init__(self, workers: Workers) -> None:
        self.workers = workers

    def __enter__(self) -> Workers:
        return self.workers

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.workers.close(at_once=kind is not None)


__all__ = ["AHEAD", "Processes", "Workers", "closing"]
