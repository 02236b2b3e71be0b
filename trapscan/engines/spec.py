"""Which engines there are on this machine, and which one to use: paths and command lines, never a shell."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path

from trapscan.errors import NoEngineError
from trapscan.settings import OptionValue

EMBEDDED = "embedded"
ENGINE_VARIABLE = "TRAPSCAN_ENGINE"

PREFERENCE = (
    "stockfish",
    "fairy-stockfish",
    "berserk",
    "rubichess",
    "ethereal-chess",
    "ethereal",
    "arasan",
    "toga2",
    "fruit",
    "glaurung",
    "gnuchess",
    "sjaakii",
)
"""Programs looked for by name, best first: strength, then whether nodes and MultiPV are honoured (measured for those
that Debian ships: see DEVELOPERS.md)."""

_UCI_ARGUMENTS = {"gnuchess": ("--uci",), "sjaakii": ("-uci",)}
"""Programs that speak UCI only when asked to on the command line."""

# The engine's own downloads are called stockfish-ubuntu-x86-64-avx2, stockfish_15_x64.exe and the like.
_RELEASE = re.compile(r"stockfish[-_ ]?(\d.*|ubuntu.*|windows.*|macos.*|linux.*)")

_PLACES_POSIX = ("/usr/games", "/usr/local/games", "/usr/local/bin", "/usr/bin", "/opt/homebrew/bin", "/opt/local/bin")
_PLACES_WINDOWS = (
    ("ProgramFiles", "Stockfish"),
    ("ProgramFiles", "stockfish"),
    ("LOCALAPPDATA", "Programs/Stockfish"),
    ("ProgramData", "chocolatey/bin"),
    ("USERPROFILE", "scoop/shims"),
    ("USERPROFILE", "stockfish"),
)


@dataclass(frozen=True, slots=True)
class EngineSpec:
    """How to start an engine: `command` is the absolute program and its arguments, `cwd` its working directory
    (None: ours), `options` UCI options that always belong to it. `name` is a short label for people."""

    name: str
    command: tuple[str, ...]
    cwd: str | None = None
    options: tuple[tuple[str, OptionValue], ...] = ()

    @property
    def embedded(self) -> bool:
        """Whether this is the engine that comes with trapscan."""
        return self.name == EMBEDDED


def embedded_spec() -> EngineSpec:
    """The engine that comes with trapscan: sunfish, run by this very Python.

    `-P` and `-s` keep the current folder and the user's site out of its path, so that a stray sunfish.py beside a
    repertoire is never run; `-u` is not needed, it flushes by itself.
    """
    return EngineSpec(EMBEDDED, (sys.executable, "-P", "-s", "-m", "sunfish"))


def discover(extra: str | None = None) -> list[EngineSpec]:
    """All engines found, best first: `extra` (as for `choose`), TRAPSCAN_ENGINE, then those in PATH and the usual
    places by PREFERENCE, the embedded one last. The same program reached by two ways is listed once.

    Raises NoEngineError when `extra` or TRAPSCAN_ENGINE names something that does not exist.
    """
    given = [text for text in (extra, os.environ.get(ENGINE_VARIABLE)) if text]
    found = [parse(text) for text in given] + _installed()
    found.append(embedded_spec())
    unique: dict[tuple[str, ...], EngineSpec] = {}
    for spec in found:
        unique.setdefault((os.path.realpath(spec.command[0]), *spec.command[1:]), spec)
    return list(unique.values())


def choose(engine: str | None = None) -> EngineSpec:
    """The engine to use: `engine` if given, else TRAPSCAN_ENGINE, else the first found by PREFERENCE, else the
    embedded one. `engine` is a path (spaces are fine), a program name, a command line with arguments, or "embedded".

    Raises NoEngineError, with what to do, when a given engine does not exist or may not be executed.
    """
    text = engine or os.environ.get(ENGINE_VARIABLE)
    if text:
        return parse(text)
    installed = _installed()
    return installed[0] if installed else embedded_spec()


def parse(text: str) -> EngineSpec:
    """The spec for a path, a name, a command line or "embedded"; see `choose`."""
    text = text.strip()
    if text.lower() == EMBEDDED:
        return embedded_spec()
    program, arguments = _split(text)
    label = Path(program).stem.lower()
    if not arguments:
        arguments = _UCI_ARGUMENTS.get(label, ())
    # A relative file among the arguments (a script, a configuration) must survive the change of directory.
    files = [argument for argument in arguments if Path(argument).is_file()]
    arguments = tuple(os.path.abspath(a) if a in files else a for a in arguments)  # noqa: PTH100 - keeps symlinks
    home = Path(files[0]).absolute() if files else Path(program)
    return EngineSpec(Path(files[0]).stem.lower() if files else label, (program, *arguments), str(home.parent))


def _split(text: str) -> tuple[str, tuple[str, ...]]:
    """Program (absolute) and arguments. The longest beginning that is a file wins, so that unquoted paths with spaces
    work with and without arguments; else the text is split as a command line."""
    path = Path(text).expanduser()
    if path.is_file():
        return _executable(path), ()
    for cut in [m.start() for m in re.finditer(r"\s+", text)][::-1]:
        path = Path(text[:cut]).expanduser()
        if path.is_file():
            return _executable(path), tuple(_words(text[cut:]))
    words = _words(text)
    if words:
        path = Path(words[0]).expanduser()
        if path.is_file():
            return _executable(path), tuple(words[1:])
        if path.name == words[0]:
            known = shutil.which(words[0]) or next((str(p) for p in _candidates() if p.stem == words[0]), None)
            if known:
                return os.path.abspath(known), tuple(words[1:])  # noqa: PTH100 - keeps symlinks
    what = "is a folder" if path.is_dir() else "not found"
    raise NoEngineError(
        f"engine '{text}' {what}; give the path of a UCI engine's program, or 'embedded' for the one that comes with"
        " trapscan ('trapscan engines' lists those found)"
    )


def _words(text: str) -> list[str]:
    try:
        if os.name == "nt":  # backslashes are no escapes there
            return [word.strip('"') for word in shlex.split(text, posix=False)]
        return shlex.split(text)
    except ValueError as exc:
        raise NoEngineError(f"engine command '{text}' cannot be split: {exc}; check the quotes") from exc


def _executable(path: Path) -> str:
    if not os.access(path, os.X_OK):
        raise NoEngineError(f"engine '{path}' may not be executed; allow it (chmod +x) or give another path")
    return str(path.absolute())


def _folders() -> list[Path]:
    folders = [Path(entry) for entry in os.environ.get("PATH", "").split(os.pathsep) if entry]
    if os.name == "nt":
        for variable, below in _PLACES_WINDOWS:
            if root := os.environ.get(variable):
                folders.append(Path(root) / below)
    else:
        folders += [Path(place) for place in _PLACES_POSIX]
        folders += [Path.home() / "bin", Path.home() / ".local/bin"]
    return list(dict.fromkeys(folders))


def _candidates() -> list[Path]:
    """Executable files with an engine's name, best first; of two equal ones the earlier folder wins."""
    ranked: list[tuple[int, int, str, Path]] = []
    for position, folder in enumerate(_folders()):
        try:
            names = sorted(entry.name for entry in folder.iterdir())
        except OSError:
            continue
        for name in names:
            stem = name[:-4].lower() if name.lower().endswith(".exe") else name.lower()
            if stem not in PREFERENCE and not _RELEASE.fullmatch(stem):
                continue
            path = folder / name
            if path.is_file() and os.access(path, os.X_OK):
                rank = PREFERENCE.index(stem) if stem in PREFERENCE else 0
                ranked.append((rank, position, name, path))
    return [path for *_, path in sorted(ranked)]


def _installed() -> list[EngineSpec]:
    specs: dict[str, EngineSpec] = {}
    for path in _candidates():
        label = path.stem.lower() if path.suffix.lower() == ".exe" else path.name.lower()
        spec = EngineSpec(label, (str(path.absolute()), *_UCI_ARGUMENTS.get(label, ())), str(path.parent.absolute()))
        specs.setdefault(os.path.realpath(path), spec)
    return list(specs.values())
