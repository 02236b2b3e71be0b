"""Which engines there are on this machine, and which one to use: paths and command lines, never a shell."""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import shutil
from dataclasses import dataclass
from pathlib import Path

from trapscan.engines.embedded import Embedded, embedded
from trapscan.errors import NoEngineError
from trapscan.settings import OptionValue

EMBEDDED = "embedded"
ENGINE_VARIABLE = "TRAPSCAN_ENGINE"

PREFERENCE = (
    "stockfish",
    "berserk",
    "rubichess",
    "fairy-stockfish",
    EMBEDDED,
    "ethereal-chess",
    "ethereal",
    "arasan",
    "toga2",
    "fruit",
    "glaurung",
    "gnuchess",
    "sjaakii",
)
"""Programs looked for by name, best first: whether their searches can be watched, then strength (measured for those
that Debian ships: see DEVELOPERS.md). The embedded engine has its place among them, the small one behind them all."""

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
    (None: ours), `options` UCI options that always belong to it. `name` is a short label for people, `box` what is
    known of the engine that comes with trapscan (None: it is another one)."""

    name: str
    command: tuple[str, ...]
    cwd: str | None = None
    options: tuple[tuple[str, OptionValue], ...] = ()
    box: Embedded | None = None

    @property
    def embedded(self) -> bool:
        """Whether this is the engine that comes with trapscan."""
        return self.box is not None


def embedded_spec() -> EngineSpec:
    """The engine that comes with trapscan. Raises NoEngineError where it is not installed."""
    box = embedded()
    return EngineSpec(EMBEDDED, box.command, options=box.options, box=box)


def discover(extra: str | None = None) -> list[EngineSpec]:
    """All engines found: `extra` (as for `choose`), TRAPSCAN_ENGINE, then those in PATH and the usual places and the
    embedded one by PREFERENCE. The same program reached by two ways is listed once.

    Raises NoEngineError when `extra` or TRAPSCAN_ENGINE names something that does not exist.
    """
    given = [text for text in (extra, os.environ.get(ENGINE_VARIABLE)) if text]
    unique: dict[tuple[str, ...], EngineSpec] = {}
    for spec in [parse(text) for text in given] + _known():
        unique.setdefault((os.path.realpath(spec.command[0]), *spec.command[1:]), spec)
    return list(unique.values())


def choose(engine: str | None = None) -> EngineSpec:
    """The engine to use: `engine` if given, else TRAPSCAN_ENGINE, else the best of those found and the embedded one by
    PREFERENCE. `engine` is a path (spaces are fine), a program name, a command line with arguments, or "embedded".

    Raises NoEngineError, with what to do, when a given engine does not exist or may not be executed, or there is none.
    """
    text = engine or os.environ.get(ENGINE_VARIABLE)
    if text:
        return parse(text)
    return next(iter(_known()), None) or embedded_spec()


def chosen_because(engine: str | None = None) -> str:
    """Why `choose` takes what it takes."""
    if engine:
        return "named with --engine"
    if os.environ.get(ENGINE_VARIABLE):
        return f"named in {ENGINE_VARIABLE}"
    return "the best of those found, by the order that trapscan knows"


def rank(spec: EngineSpec) -> int:
    """Its place in PREFERENCE, less is better: one that is not listed there was named by the user, and comes first."""
    if spec.box is not None and spec.box.small:
        return len(PREFERENCE)
    if _RELEASE.fullmatch(spec.name):
        return 0
    return PREFERENCE.index(spec.name) if spec.name in PREFERENCE else -1


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
    files = [argument for argument in arguments if is_file(Path(argument))]
    arguments = tuple(os.path.abspath(a) if a in files else a for a in arguments)  # noqa: PTH100 - keeps symlinks
    home = Path(files[0]).absolute() if files else Path(program)
    return EngineSpec(Path(files[0]).stem.lower() if files else label, (program, *arguments), str(home.parent))


def _split(text: str) -> tuple[str, tuple[str, ...]]:
    """Program (absolute) and arguments. The longest beginning that is a file wins, so that unquoted paths with spaces
    work with and without arguments; else the text is split as a command line."""
    path = _path(text)
    if is_file(path):
        return _executable(path), ()
    for cut in [m.start() for m in re.finditer(r"\s+", text)][::-1]:
        path = _path(text[:cut])
        if is_file(path):
            return _executable(path), tuple(_words(text[cut:]))
    words = _words(text)
    if words:
        path = _path(words[0])
        if is_file(path):
            return _executable(path), tuple(words[1:])
        if path.name == words[0]:
            known = shutil.which(words[0]) or next((str(p) for _, p in _candidates() if p.stem == words[0]), None)
            if known:
                return os.path.abspath(known), tuple(words[1:])  # noqa: PTH100 - keeps symlinks
    what = "is a folder" if _is_folder(path) else "not found"
    shown = text if len(text) <= 200 else f"{text[:200]}..."
    raise NoEngineError(
        f"engine '{shown}' {what}; give the path of a UCI engine's program, or 'embedded' for the one that comes with"
        " trapscan ('trapscan engines' lists those found)"
    )


def _path(text: str) -> Path:
    try:
        return Path(text).expanduser()
    except RuntimeError:  # ~ where nobody lives
        return Path(text)


def is_file(path: Path) -> bool:
    """Whether a file is there; no for what cannot be a path."""
    try:
        return path.is_file()
    except (OSError, ValueError):  # a name too long, or none at all
        return False


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


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


def _candidates() -> list[tuple[str, Path]]:
    """Executable files with an engine's name, and that name; of two equal ones the earlier folder comes first."""
    found = []
    for folder in _folders():
        try:
            names = sorted(entry.name for entry in folder.iterdir())
        except OSError:
            continue
        for name in names:
            stem = name[:-4].lower() if name.lower().endswith(".exe") else name.lower()
            if stem != EMBEDDED and (stem in PREFERENCE or _RELEASE.fullmatch(stem)):
                path = folder / name
                if path.is_file() and os.access(path, os.X_OK):
                    found.append((stem, path))
    return found


def _known() -> list[EngineSpec]:
    """What is found without being named, best first; of two names of one program the better."""
    specs = [
        EngineSpec(label, (str(path.absolute()), *_UCI_ARGUMENTS.get(label, ())), str(path.parent.absolute()))
        for label, path in _candidates()
    ]
    with contextlib.suppress(NoEngineError):
        specs.append(embedded_spec())
    unique: dict[str, EngineSpec] = {}
    for spec in sorted(specs, key=rank):
        unique.setdefault(spec.name if spec.embedded else os.path.realpath(spec.command[0]), spec)
    return list(unique.values())
