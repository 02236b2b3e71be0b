"""A stage of a scan: tasks of one kind, each solved by a worker, each result kept in the store under a key of its own.

A stage says how a task is solved, how its result is read back, and what the result depends on besides the task. How to
add one: DEVELOPERS.md.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Generic, Protocol, TypeVar

import msgspec

import trapscan
from trapscan.job.tools import Tools
from trapscan.job.work import Recorder

Fields = Mapping[str, object]
"""The fields of a key by name: plain values that JSON can hold."""

SEARCHED = ("search", "chance", "pgn", "model.py", "score.py", "stopping.py", "settings.py", "levels.py", "job/work.py")
"""Code and weights behind everything that a search finds out."""


class Keyed(Protocol):
    """A task: frozen data that can travel. It stands for a position, and names the fields that its outcome depends
    on."""

    @property
    def epd(self) -> str:
        """The position that it is about."""
        ...

    def cache_key(self) -> Fields:
        """All that decides the outcome besides engine, settings and code."""
        ...


TaskT = TypeVar("TaskT", bound=Keyed)
OutcomeT = TypeVar("OutcomeT")


@dataclass(frozen=True, slots=True)
class Stage(Generic[TaskT, OutcomeT]):
    """Tasks of one kind. `name` is the store's table of their outcomes, which are decoded as `outcome`; `unit` is what
    the tasks are called where they are counted; `solve` lies at module level and is pure but for what the recorder
    does; `settings` are the names of those that decide an outcome, `code` the files and folders of the package that do;
    `slips` counts those in an outcome, for the progress bar; `passing`: it only helps on the way, and is neither told
    nor counted."""

    name: str
    unit: str
    solve: Callable[[Tools, TaskT, Recorder], OutcomeT]
    outcome: type[OutcomeT]
    settings: Collection[str]
    code: tuple[str, ...]
    slips: Callable[[OutcomeT], int] = lambda outcome: 0
    passing: bool = False

    def keys(self, tools: Tools, tasks: Iterable[TaskT]) -> list[str]:
        """The keys of the tasks' outcomes in the store."""
        shared = self.cache_key(tools)
        return [digest({**shared, "task": task.cache_key()}) for task in tasks]

    def cache_key(self, tools: Tools) -> Fields:
        """All that decides the outcomes of a scan besides their tasks. The engine's identity holds its bytes, options
        and limits, and the version of the driver that reads its answers."""
        settings = tools.settings.public()
        return {
            "stage": self.name,
            "engine": tools.identity,
            "settings": {name: settings[name] for name in sorted(self.settings)},
            "code": code_digest(self.code),
        }

    def read(self, blob: bytes | None) -> OutcomeT | None:
        """An outcome as it lies in the store; None where there is none, or other code wrote it after all."""
        if blob is None:
            return None
        try:
            return msgspec.msgpack.decode(blob, type=self.outcome)
        except msgspec.MsgspecError:
            return None


def digest(fields: Fields) -> str:
    """What stands for the fields in the store: equal for equal fields, whatever their order."""
    return hashlib.sha256(msgspec.json.encode(fields, order="sorted")).hexdigest()


@cache
def code_digest(rooms: tuple[str, ...]) -> str:
    """A digest of the code and weights in these files and folders of the package."""
    package = Path(trapscan.__file__).parent
    found = hashlib.sha256()
    for path in _files(package / room for room in sorted(rooms)):
        found.update(path.relative_to(package).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()


def _files(rooms: Iterable[Path]) -> Iterator[Path]:
    for room in rooms:
        yield from (
            sorted(p for p in room.rglob("*") if p.suffix in {".py", ".onnx", ".npz", ".json"})
            if room.is_dir()
            else [room]
        )


__all__ = ["SEARCHED", "Fields", "Keyed", "Stage", "code_digest", "digest"]
