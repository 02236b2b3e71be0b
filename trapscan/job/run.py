"""Running the work: what the store already knows, then the rest in parallel, each result kept as it arrives."""

from __future__ import annotations

import hashlib
import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import joblib
import msgspec
from joblib.externals.loky import get_reusable_executor
from joblib.externals.loky.process_executor import BrokenProcessPool

import trapscan
from trapscan.engines import Store
from trapscan.errors import WorkerError
from trapscan.job.work import Finished, Outcome, Tools, close_engines, end_with, work, work_in_process
from trapscan.model import Position

OUTCOMES = "outcomes"
"""The store's table of finished positions."""

ROOMS_BEHIND_AN_OUTCOME = ("chance", "explain", "search", "model.py", "score.py", "job/work.py")
"""An outcome stays valid as long as the code and weights it came from are the same."""


NOT_DECISIVE = frozenset({"beyond", "beyond_width", "beyond_chance", "shown"})
"""Settings that say where to look or what to show, not what is found in a position."""


MOST_BREAKS = 3
"""So often in a row workers may be killed from outside without one result in between."""

Item = TypeVar("Item")
Result = TypeVar("Result")


class Progress:
    """What a scan tells while it runs. This one is silent; the command line draws a bar."""

    def add(self, positions: int) -> None:
        """So many more positions are to be examined."""

    def step(self, positions: int, slips: int) -> None:
        """So many positions are done, with so many slips found in them."""

    def note(self, text: str) -> None:
        """A line for the user."""


@dataclass(slots=True)
class Stats:
    """How a run went. Never part of the report, whose bytes do not depend on it. Times in seconds."""

    positions: int = 0
    from_store: int = 0
    searched_nodes: int = 0
    engine_seconds: float = 0.0
    worker_seconds: float = 0.0
    wall_seconds: float = 0.0
    search_wall_seconds: float = 0.0
    jobs: int = 1
    slips: int = 0
    restarts: int = 0
    second_asked: int = 0
    second_searched: int = 0
    notes: list[str] = field(default_factory=list)

    def text(self) -> str:
        """One line for the user."""
        searched = self.positions - self.from_store + self.second_searched
        if not searched:
            return f"{self.positions} positions, all from the store; {self.wall_seconds:.1f} s, no engine started."
        second = f"{self.second_asked} questions to the second engine, " if self.second_asked else ""
        restarts = f" An engine that failed was started again {self.restarts} times." if self.restarts else ""
        return (
            f"{self.positions} positions ({self.from_store} from the store), {second}{self.searched_nodes:,} engine "
            f"nodes, {self.wall_seconds:.1f} s with {self.jobs} worker{'s' * (self.jobs > 1)}, engines busy "
            f"{self.busy:.0%}.{restarts}"
        )

    @property
    def busy(self) -> float:
        """Share of wall time x workers in which an engine was searching, over the part of the run that searched."""
        room = self.search_wall_seconds * self.jobs
        return self.engine_seconds / room if room else 0.0


@dataclass(slots=True)
class Job:
    """Examines positions with `jobs` workers; `problems` collects (EPD, text) of those that failed."""

    tools: Tools
    store: Store
    jobs: int
    progress: Progress
    stats: Stats = field(default_factory=Stats)
    problems: list[tuple[str, str]] = field(default_factory=list)
    _salt: str = ""

    def __post_init__(self) -> None:
        decisive = {k: v for k, v in self.tools.settings.public().items() if k not in NOT_DECISIVE}
        settings = msgspec.json.encode(decisive, order="sorted")
        self._salt = f"{self.tools.identity}|{hashlib.sha256(settings).hexdigest()}|{code_digest()}"
        self.stats.jobs = self.jobs

    def run(self, positions: Sequence[Position]) -> dict[str, Outcome]:
        """Outcomes by EPD; positions that failed are missing and stand in `problems`.

        Each result is in the store before the next is looked at, so that a kill loses only what was in flight.
        """
        self.progress.add(len(positions))
        keys = {position.epd: self._key(position) for position in positions}
        done: dict[str, Outcome] = {}
        known = self.store.get_blobs(OUTCOMES, list(keys.values()))
        waiting = []
        for position in positions:
            blob = known.get(keys[position.epd])
            outcome = _decode(blob) if blob is not None else None
            if outcome is None:
                waiting.append(position)
            else:
                self._done(done, position.epd, outcome)
                self.stats.from_store += 1
        start = time.perf_counter()
        for finished in self._search(waiting):
            self._keep(finished, keys[finished.epd])
            if finished.outcome is None:
                self.problems.append((finished.epd, finished.problem))
                self.progress.step(1, 0)
            else:
                self._done(done, finished.epd, finished.outcome)
        if waiting:
            self.stats.search_wall_seconds += time.perf_counter() - start
        return done

    def _done(self, done: dict[str, Outcome], epd: str, outcome: Outcome) -> None:
        done[epd] = outcome
        self.stats.positions += 1
        self.stats.slips += len(outcome.told)
        self.progress.step(1, len(outcome.told))

    def _keep(self, finished: Finished, key: str) -> None:
        self.stats.engine_seconds += finished.engine_seconds
        self.stats.worker_seconds += finished.seconds
        self.stats.searched_nodes += finished.searched_nodes
        self.stats.restarts += finished.restarts
        self.store.put(self.tools.identity, finished.fresh)
        if finished.outcome is not None:
            self.store.put_blobs(OUTCOMES, {key: msgspec.msgpack.encode(finished.outcome)})

    def _search(self, positions: Sequence[Position]) -> Iterator[Finished]:
        return in_parallel(self.jobs, work, work_in_process, self.tools, positions)

    def _key(self, position: Position) -> str:
        text = "|".join((self._salt, position.start_fen, " ".join(position.moves), " ".join(position.prepared)))
        return hashlib.sha256(text.encode()).hexdigest()


def in_parallel(
    jobs: int,
    here: Callable[[Tools, Item], Result],
    there: Callable[[Tools, Item], Result],
    tools: Tools,
    items: Sequence[Item],
) -> Iterator[Result]:
    """The results for `items` as they come, in any order: from `here` in this process when there is one worker, else
    from `there` (at module level) in processes of their own. At the end the engines end.

    A worker that is killed from outside is replaced, and what it had in hand is done again; WorkerError when that
    happens MOST_BREAKS times without a result in between."""
    if not items:
        return
    if jobs == 1:
        try:
            for item in items:
                yield here(tools, item)
        finally:
            close_engines()
        return
    left = dict(enumerate(items))
    breaks = 0
    while left:
        try:
            for number, result in _in_pool(jobs, there, tools, list(left.items())):
                del left[number]
                breaks = 0
                yield result
        except BrokenProcessPool as exc:
            # somebody killed a worker (the system, short of memory?): a night's work goes on with new ones
            breaks += 1
            if breaks == MOST_BREAKS:
                raise WorkerError(
                    f"worker processes are killed again and again, {len(left)} positions are left (is memory short? "
                    "try fewer --jobs); what is finished is kept, the same command goes on from there"
                ) from exc


def _in_pool(
    jobs: int, there: Callable[[Tools, Item], Result], tools: Tools, numbered: Sequence[tuple[int, Item]]
) -> Iterator[tuple[int, Result]]:
    """Each item's number and result, as they come. Raises BrokenProcessPool when a worker is killed."""
    pool = joblib.Parallel(
        n_jobs=jobs,
        return_as="generator_unordered",
        batch_size=1,
        pre_dispatch="3*n_jobs",
        initializer=end_with,
        initargs=(os.getpid(),),
    )
    finished = False
    try:
        yield from pool(joblib.delayed(_numbered)(number, there, tools, item) for number, item in numbered)
        finished = True
    finally:
        # the workers' engines end with them; after an interrupt nobody waits for the items in flight
        get_reusable_executor().shutdown(wait=True, kill_workers=not finished)


def _numbered(number: int, there: Callable[[Tools, Item], Result], tools: Tools, item: Item) -> tuple[int, Result]:
    return number, there(tools, item)


def code_digest() -> str:
    """A digest of the code and weights that decide an outcome."""
    package = Path(trapscan.__file__).parent
    digest = hashlib.sha256()
    for path in _files(package / room for room in ROOMS_BEHIND_AN_OUTCOME):
        digest.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def _files(rooms: Iterable[Path]) -> Iterator[Path]:
    for room in rooms:
        yield from (
            sorted(p for p in room.rglob("*") if p.suffix in {".py", ".onnx", ".npz", ".json"})
            if room.is_dir()
            else [room]
        )


def _decode(blob: bytes) -> Outcome | None:
    try:
        return msgspec.msgpack.decode(blob, type=Outcome)
    except msgspec.MsgspecError:
        return None  # written by other code after all: search again


__all__ = ["Job", "Progress", "Stats", "code_digest", "in_parallel"]
