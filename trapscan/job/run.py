"""Running the work: what the store already knows, then the rest in parallel, each result kept as it arrives."""

from __future__ import annotations

import hashlib
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

import trapscan
from trapscan.engines import Store
from trapscan.job.compact import Compactor
from trapscan.job.left import TimeLeft
from trapscan.job.work import Finished, Outcome, Task, Tools, work
from trapscan.job.workers import Workers
from trapscan.model import Position
from trapscan.settings import Settings

OUTCOMES = "outcomes"
"""The store's table of finished positions."""

ROOMS_BEHIND_AN_OUTCOME = (
    "chance",
    "explain",
    "search",
    "model.py",
    "contract.py",
    "score.py",
    "stopping.py",
    "job/work.py",
)
"""An outcome stays valid as long as the code and weights it came from are the same."""


BAIT_SETTINGS = frozenset(name for name in Settings.__struct_fields__ if name.startswith("bait"))

Grow = Callable[[Position, Outcome], int]

NOT_DECISIVE = frozenset({"beyond", "beyond_width", "beyond_chance", "shown"}) | BAIT_SETTINGS
"""Settings that say where to look or what to show, not what is found in a position."""


class Progress:
    """What a scan tells while it runs. This one is silent; the command line draws a bar."""

    def add(self, positions: int) -> None:
        """So many more positions are to be examined."""

    def step(self, positions: int, slips: int) -> None:
        """So many positions are done, with so many slips found in them."""

    def reading(self, size: int) -> None:
        """Game files of `size` bytes are about to be counted."""

    def read(self, size: int) -> None:
        """So many more bytes of them are done."""

    def left(self, seconds: float | None) -> None:
        """So many seconds the examining will probably still take; None while nothing can be said."""

    def note(self, text: str) -> None:
        """A line for the user."""


@dataclass(slots=True)
class Stats:
    """How a run went. Never part of the report, whose bytes do not depend on it. Times in seconds."""

    positions: int = 0
    from_store: int = 0
    searched_nodes: int = 0
    engine_seconds: float = 0.0
    engine_cpu: float = 0.0
    worker_seconds: float = 0.0
    wall_seconds: float = 0.0
    search_wall_seconds: float = 0.0
    jobs: int = 1
    slips: int = 0
    restarts: int = 0
    baits: int = 0
    baits_searched: int = 0
    second_asked: int = 0
    second_searched: int = 0
    notes: list[str] = field(default_factory=list)

    def text(self) -> str:
        """One line for the user."""
        searched = self.positions - self.from_store + self.second_searched + self.baits_searched
        if not searched:
            return f"{self.positions} positions, all from the store; {self.wall_seconds:.1f} s, no engine started."
        second = f"{self.second_asked} questions to the second engine, " if self.second_asked else ""
        baits = f"{self.baits} searched for baits, " if self.baits else ""
        restarts = f" An engine that failed was started again {self.restarts} times." if self.restarts else ""
        return (
            f"{self.positions} positions ({self.from_store} from the store), {baits}{second}{self.searched_nodes:,} "
            f"engine nodes, {self.wall_seconds:.1f} s with {self.jobs} worker{'s' * (self.jobs > 1)}, engines busy "
            f"{self.busy:.0%}.{restarts}"
        )

    @property
    def busy(self) -> float:
        """Share of wall time x workers in which an engine was searching, over the part of the run that searched."""
        room = self.search_wall_seconds * self.jobs
        return self.engine_seconds / room if room else 0.0

    @property
    def used(self) -> float:
        """The same in the engines' processor time: less than `busy` where other programs take processor time too."""
        room = self.search_wall_seconds * self.jobs
        return self.engine_cpu / room if room else 0.0


@dataclass(slots=True)
class Job:
    """Examines positions with `workers`; `problems` collects (EPD, text) of those that failed."""

    tools: Tools
    store: Store
    workers: Workers
    progress: Progress
    stats: Stats = field(default_factory=Stats)
    problems: list[tuple[str, str]] = field(default_factory=list)
    small: Compactor = field(default_factory=Compactor)
    left: TimeLeft = field(default_factory=TimeLeft)
    salt: str = field(default="", init=False)
    """What every outcome depends on besides its own task: engine, settings, code."""

    def __post_init__(self) -> None:
        decisive = {k: v for k, v in self.tools.settings.public().items() if k not in NOT_DECISIVE}
        settings = msgspec.json.encode(decisive, order="sorted")
        self.salt = f"{self.tools.identity}|{hashlib.sha256(settings).hexdigest()}|{code_digest()}"

    def run(self, tasks: Sequence[Task], grow: Grow | None = None) -> dict[str, Outcome]:
        """Outcomes by EPD, without `asked`; positions that failed are missing and stand in `problems`. `grow` is told
        the outcome of each position where a line ends, and says how many new positions follow from it.

        Each result is in the store before the next is looked at, so that a kill loses only what was in flight.
        """
        self.progress.add(len(tasks))
        self.left.wave(Counter(_white_moves(task) for task in tasks if _is_end(task)))
        keys = {task.epd: self._key(task) for task in tasks}
        by_epd = {task.epd: task for task in tasks}
        done: dict[str, Outcome] = {}
        waiting = []

        def take(task: Task, outcome: Outcome) -> None:
            done[task.epd] = self.small(outcome)
            self.stats.positions += 1
            self.stats.slips += len(outcome.told)
            if grow is not None and _is_end(task):
                self.left.grown(_white_moves(task), grow(task.position, outcome))
            self.progress.step(1, len(outcome.told))

        for part in _parts(tasks):  # in parts, because thousands of outcomes as they lie in the store are much
            known = self.store.get_blobs(OUTCOMES, [keys[task.epd] for task in part])
            for task in part:
                blob = known.get(keys[task.epd])
                outcome = _decode(blob) if blob is not None else None
                if outcome is None:
                    waiting.append(task)
                else:
                    take(task, outcome)
                    self.stats.from_store += 1
        self.left.looked_up(len(done), Counter(map(_is_end, waiting)))
        start = time.perf_counter()
        waiting.sort(key=lambda task: keys[task.epd])  # as good as shuffled: what is done is a fair sample
        for finished in self.workers.each(work, self.tools, waiting):
            self._keep(finished, keys[finished.epd])
            self.left.searched(_is_end(by_epd[finished.epd]), finished.seconds)
            self.progress.left(self.left.seconds(self.stats.search_wall_seconds + time.perf_counter() - start))
            if finished.outcome is None:
                self.problems.append((finished.epd, finished.problem))
                self.progress.step(1, 0)
            else:
                take(by_epd[finished.epd], finished.outcome)
        if waiting:
            self.stats.jobs = self.workers.jobs
            self.stats.search_wall_seconds += time.perf_counter() - start
        return done

    def _keep(self, finished: Finished, key: str) -> None:
        self.stats.engine_seconds += finished.engine_seconds
        self.stats.engine_cpu += finished.engine_cpu
        self.stats.worker_seconds += finished.seconds
        self.stats.searched_nodes += finished.searched_nodes
        self.stats.restarts += finished.restarts
        self.store.put(self.tools.identity, finished.fresh)
        if finished.outcome is not None:
            self.store.put_blobs(OUTCOMES, {key: msgspec.msgpack.encode(finished.outcome)})

    def _key(self, task: Task) -> str:
        position = task.position
        parts = [self.salt, position.start_fen, " ".join(position.moves), " ".join(position.prepared)]
        if task.evidence is not None:
            parts += [task.evidence.digest(), str(task.one_player)]
        return hashlib.sha256("|".join(parts).encode()).hexdigest()


def _is_end(task: Task) -> bool:
    return not task.position.prepared


def _white_moves(task: Task) -> bool:
    return task.epd.split()[1] == "w"


def _parts(tasks: Sequence[Task], size: int = 500) -> Iterator[Sequence[Task]]:
    for start in range(0, len(tasks), size):
        yield tasks[start : start + size]


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


__all__ = ["Job", "Progress", "Stats", "code_digest"]
