"""The engine that comes with trapscan: the strong one where it has a build for this system, else the small one.

The strong one is pyffish (Fairy-Stockfish as a Python library), whose shared object holds its whole UCI loop; it is
run in a process of its own by `loop`. Where the package or that loop is missing (Windows, ARM on Linux), it is sunfish,
an engine in Python.
"""

from __future__ import annotations

import functools
import importlib.metadata
import importlib.util
import mmap
import sys
from dataclasses import dataclass
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path

from trapscan.engines import loop
from trapscan.errors import NoEngineError
from trapscan.settings import OptionValue


@dataclass(frozen=True, slots=True)
class Embedded:
    """The engine in the box. `package` and `version` are those of the Python package that holds it; `files` decide what
    it says; `options` are what it must be set to; below `least_hash` MiB its longest searches do not fit."""

    package: str
    version: str
    command: tuple[str, ...]
    files: tuple[str, ...]
    options: tuple[tuple[str, OptionValue], ...] = ()
    least_hash: int = 0

    @property
    def small(self) -> bool:
        """Whether it is the weak one."""
        return self.package == "sunfish"

    @property
    def words(self) -> str:
        """What it is and what to do about it, for people, in one line."""
        if self.small:
            return (
                "the small embedded one (sunfish), as the strong one (pyffish) does not run on this system; it is slow"
                " and misses much, so install Stockfish (README, 'A stronger engine')"
            )
        return "the embedded one (Fairy-Stockfish); Stockfish finds more (README, 'A stronger engine')"


@functools.cache
def embedded() -> Embedded:
    """The best that is installed. Raises NoEngineError when there is none at all."""
    found = _pyffish() or _sunfish()
    if found is None:
        raise NoEngineError(
            "the embedded engine is missing: install it (pip install pyffish, or sunfish where that has no build), or"
            " name an engine of your own (--engine PATH)"
        )
    return found


def _pyffish() -> Embedded | None:
    found = importlib.util.find_spec("pyffish")
    for folder in (found and found.submodule_search_locations) or ():
        for suffix in EXTENSION_SUFFIXES:
            library = Path(folder) / f"_pyffish{suffix}"
            if library.is_file() and _holds_the_loop(library):
                # -I and -S: neither the current folder nor what a user has installed has a say
                command = (sys.executable, "-I", "-S", loop.__file__, str(library))
                # no network, whatever lies about
                return Embedded(
                    "pyffish", _version("pyffish"), command, (str(library), loop.__file__), (("Use NNUE", False),)
                )
    return None


def _holds_the_loop(library: Path) -> bool:
    """Whether the symbol's name is in the file. It is not loaded here: that is for a process of its own."""
    with library.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as data:
        return data.find(loop.SYMBOL.encode() + b"\0") >= 0


def _sunfish() -> Embedded | None:
    files = []
    for module in ("sunfish", "sunfish_ui"):
        found = importlib.util.find_spec(module)
        if found is None or not found.origin:
            return None
        files.append(found.origin)
    files.append(str(Path(files[-1]).with_name("uci.py")))
    # `-P` and `-s` keep the current folder and the user's site out of its path: a stray sunfish.py beside a repertoire
    # is never run. It counts a table entry as 1 KiB: 16 MiB would not hold its longest searches.
    command = (sys.executable, "-P", "-s", "-m", "sunfish")
    return Embedded("sunfish", _version("sunfish"), command, tuple(files), least_hash=64)


def _version(package: str) -> str:
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:
        return ""
