"""What a scan is asked for: every option declared once. The command line, its help, the estimate and the library's
`scan` are made from the fields of `ScanRequest`. Light to import: no chess, no numbers."""

from __future__ import annotations

import inspect
import math
import re
from collections.abc import Callable, Mapping, Sequence
from copy import copy
from dataclasses import KW_ONLY, dataclass, field, fields
from functools import partial, wraps
from pathlib import Path
from typing import Literal, ParamSpec, TypeVar, cast, get_args

from trapscan.errors import InputError
from trapscan.levels import check_level
from trapscan.progress import Progress
from trapscan.sanitize import readable, sanitize

MOST_JOBS = 512
"""More processes than any machine has cores are a slip of the pen."""

PRESETS = ("quick", "standard", "deep")

SideName = Literal["white", "black", "both"]
SettingValue = object
"""A value of a setting as TOML writes it: a number, a text, a truth value, or a list or table of these."""

MOST_CHAPTERS = 500_000
_SIDE = re.compile(r"(?:(?P<first>[1-9]\d{0,5})(?:-(?P<last>[1-9]\d{0,5}))?=)?(?P<side>white|black|both)")

P = ParamSpec("P")
R = TypeVar("R")
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Option:
    """How a field stands on the command line. `metavar`: the name of its value. `name`: where it is not the field's.
    `setting`: its value goes to the setting of the same name. `either`: of those with one such word only one may be
    given."""

    help: str
    metavar: str = ""
    name: str = ""
    setting: bool = False
    either: str = ""


def option(default: T, help: str, metavar: str = "", **more: bool | str) -> T:
    """A field with its option."""
    metadata = {"option": Option(help, metavar, **more)}  # type: ignore[arg-type]
    if isinstance(default, dict):
        return field(default_factory=partial(copy, default), metadata=metadata)
    return field(default=default, metadata=metadata)


@dataclass(frozen=True)
class ScanRequest:
    """What to scan and how; each option is explained where it is declared.

    Raises InputError where the options do not go together or a value is out of the question.
    """

    files: str | Path | Sequence[str | Path] = field(
        metadata={"option": Option("PGN, EPD/FEN list, or text of SAN lines", "FILE")}
    )
    _: KW_ONLY
    side: str | None = option(
        None,
        "whose repertoire it is: white, black or both; of single chapters: 1-5=white,6=black (default: read off the "
        "tags and the tree)",
        "SIDE",
    )
    level: int | None = option(None, "level to rank for (default 1500)", "ELO", setting=True)
    time_control: str | None = option(
        None,
        "thinking time of the games that chances are for, as in PGN's TimeControl (default 600+0)",
        "SECONDS+INCREMENT",
        setting=True,
    )
    engine: str | None = option(
        None,
        "UCI engine: a path, a command line, or 'embedded' (default: TRAPSCAN_ENGINE, else the best one found)",
        "PATH",
    )
    second_engine: str | None = option(
        None, "another engine that every finding is put to; what it denies is set apart (default: none)", "PATH"
    )
    preset: str = option(
        "standard", f"{', '.join(PRESETS)}, or a TOML file of your own (default standard)", "NAME|FILE"
    )
    plies: int | None = option(None, "look at so many plies of each line (default all)", "N", setting=True)
    beyond: int | None = option(None, "plies to go on past each line (default 2)", "PLIES", setting=True)
    baits: bool | None = option(None, "look for moves of ours that set tricks, too (takes longer)", setting=True)
    settings: Mapping[str, SettingValue] = option(
        {}, "override any setting of the preset, in TOML spelling; can be repeated", "NAME=VALUE", name="set"
    )
    games: Sequence[str | Path] = option(
        (), "games that tell what is played: PGN (also .gz, .bz2) or Polyglot .bin", "FILE"
    )
    player: str | None = option(None, "count only this player's moves, named as in the games' tags", "NAME")
    jobs: int | None = option(None, "positions examined at once (default: one per core)", "N", either="workers")
    cluster: str | None = option(
        None,
        "Dask scheduler whose workers do the work, as tcp://host:8786 (see README)",
        "ADDRESS",
        either="workers",
    )
    minutes: float | None = option(
        None, "end by itself within so many minutes, what matters most first; the same command goes on later", "N"
    )
    title: str = option("", "title of the report (default: the files' names)", "TEXT")
    store: Path | None = option(None, "file that keeps all engine answers", "FILE")
    progress: Progress = field(default_factory=Progress, compare=False, repr=False)
    """Who is told how the scan goes. Not an option of the command line, which brings its own."""

    def __post_init__(self) -> None:
        self.sides()
        if self.level is not None:
            check_level(self.level)
        if self.jobs is not None and not 1 <= self.jobs <= MOST_JOBS:
            raise InputError(f"jobs: a number from 1 to {MOST_JOBS}")
        if self.player is not None and not self.player.strip():
            raise InputError("a player without a name: write it as the games' White and Black tags do")
        if self.player is not None and not self.games:
            raise InputError("a player's moves are looked for in games: give files of them")
        if self.minutes is not None and not 0 < self.minutes < math.inf:
            raise InputError("minutes: a number above 0")
        if self.cluster is not None and self.jobs is not None:
            raise InputError("a cluster has its own workers: give either jobs or cluster")
        object.__setattr__(self, "title", readable(self.title))
        object.__setattr__(self, "player", readable(self.player) if self.player is not None else None)

    @property
    def paths(self) -> tuple[Path, ...]:
        """The repertoire files."""
        files = [self.files] if isinstance(self.files, str | Path) else self.files
        return tuple(Path(file) for file in files)

    @property
    def game_paths(self) -> tuple[Path, ...]:
        """The files of games."""
        return tuple(Path(file) for file in self.games)

    def sides(self) -> dict[int, SideName]:
        """The side by chapter, numbered from 1; 0: of all others."""
        found: dict[int, SideName] = {}
        for part in self.side.split(",") if self.side is not None else ():
            match = _SIDE.fullmatch(part.strip().lower())
            if match is None:
                known = ", ".join(get_args(SideName))
                raise InputError(
                    f"side '{sanitize(part, limit=40)}' is none of {known}; of chapters: 1-5=white,6=black"
                )
            first = int(match["first"] or 0)
            last = int(match["last"] or first)
            if last - first > MOST_CHAPTERS or last < first:
                raise InputError(f"side '{sanitize(part, limit=40)}': these are no chapters")
            side = cast(SideName, match["side"])
            found.update(dict.fromkeys(range(first, last + 1), side))
        return found

    def overrides(self) -> dict[str, SettingValue]:
        """What stands above the preset: `settings`, and the options that are settings."""
        given = {name: getattr(self, name) for name, option in options() if option.setting}
        return {**self.settings, **{name: value for name, value in given.items() if value is not None}}


def options() -> list[tuple[str, Option]]:
    """The fields that are options, by name, in order."""
    return [(each.name, each.metadata["option"]) for each in fields(ScanRequest) if "option" in each.metadata]


def taking_options(make: Callable[P, ScanRequest], run: Callable[[ScanRequest], R]) -> Callable[P, R]:
    """A function of a request as one that takes the request's options: `scan(files, side="white", level=1400)`, with
    their names, types and defaults."""

    @wraps(run)
    def call(*args: P.args, **kwargs: P.kwargs) -> R:
        return run(make(*args, **kwargs))

    call.__name__ = call.__qualname__ = run.__name__.removeprefix("run_")
    call.__signature__ = inspect.signature(make)  # type: ignore[attr-defined]
    return call


__all__ = ["PRESETS", "Option", "ScanRequest", "SettingValue", "SideName", "option", "options", "taking_options"]
