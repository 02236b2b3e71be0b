"""Writing scan.json and the files beside it. A file is written aside, then renamed: never half of one."""

from __future__ import annotations

import contextlib
import errno
import fnmatch
import os
import re
import shutil
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

from trapscan.contract import Scan, encode_in_pieces
from trapscan.errors import ReportError
from trapscan.sanitize import sanitize

SCAN_NAME = "scan.json"
FORMS = (
    SCAN_NAME,
    "report.html",
    "report.md",
    "tricks.pgn",
    "tricks.epd",
    "findings.csv",
    "findings.jsonl",
    "cards.txt",
    "to-add.pgn",
)
"""What a report's folder holds, beside the owner's files with the findings in them."""
LEAST_ROOM = 4 * 2**20
"""Bytes on the disk to begin with: a small report has one million."""
asides: set[Path] = set()
"""Files being written or waiting to be renamed: whoever ends the process at once takes them away."""


class Held:
    """Files written aside that wait for each other: renamed together where its `with` block ends well, so that a reader
    finds all the old ones before and all the new ones after; after an error nothing is renamed. Nothing stays behind.
    Raises ReportError."""

    def __init__(self) -> None:
        self._waiting: list[tuple[Path, Path]] = []

    def hold(self, aside: Path, path: Path) -> None:
        """`aside` is to become `path`."""
        self._waiting.append((aside, path))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, exc: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            for aside, path in self._waiting if kind is None else ():
                with _writing(path):
                    aside.replace(path)
        finally:
            for aside, _ in self._waiting:
                aside.unlink(missing_ok=True)
                asides.discard(aside)


def write_aside(path: Path, data: bytes | Iterable[bytes], held: Held | None = None) -> Path:
    """Write `data`, whole or in pieces, beside `path`, then rename, or let `held` do so; makes the folder. Raises
    ReportError, and leaves nothing behind."""
    aside = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    with _writing(path):
        _must_not_be_a_folder(path)
        path.parent.mkdir(parents=True, exist_ok=True)
        asides.add(aside)
        try:
            with aside.open("wb") as file:
                file.writelines([data] if isinstance(data, bytes) else data)
                file.flush()
                os.fsync(file.fileno())
            if held is None:
                aside.replace(path)
        except BaseException:
            aside.unlink(missing_ok=True)
            asides.discard(aside)
            raise
        if held is None:
            asides.discard(aside)
        else:
            held.hold(aside, path)
    return path


@contextlib.contextmanager
def _writing(path: Path) -> Iterator[None]:
    """What the system says against writing there, as a ReportError."""
    try:
        yield
    except OSError as exc:
        remedy = "free space" if exc.errno == errno.ENOSPC else "name another folder with --out or mend this one"
        where = sanitize(str(path), limit=300)
        raise ReportError(
            f"cannot write {where}: {exc.strerror or exc}; {remedy}, then run the same command again"
        ) from exc


def write_text_aside(path: Path, pieces: Iterable[str], held: Held | None = None) -> Path:
    """The same of text."""
    return write_aside(path, in_utf_8(pieces), held)


def in_utf_8(pieces: Iterable[str]) -> Iterable[bytes]:
    """Text as it is written; what cannot be encoded becomes a question mark."""
    return (piece.encode("utf-8", "replace") for piece in pieces)


def _must_not_be_a_folder(path: Path) -> None:
    if path.is_dir():  # no file can be renamed to it
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR))


def prepare_folder(folder: str | os.PathLike[str]) -> None:
    """See that a report can be written into the folder (or where it will be made), so that a night's work does not end
    at a locked door, and clear away what writers that were killed left in it. Raises ReportError."""
    target = Path(folder)
    missing: list[Path] = []
    try:
        with _writing(target):
            missing += [path for path in (target, *target.absolute().parents) if not path.exists()]
            target.mkdir(parents=True, exist_ok=True)
            free = shutil.disk_usage(target).free
        write_aside(target / ".trapscan.ready", b"").unlink(missing_ok=True)
        if free < LEAST_ROOM:
            raise ReportError(
                f"only {free // 1024} KiB are free for {sanitize(str(target))}: free space, then run again"
            )
        for path in target.iterdir():
            if path.name in FORMS or fnmatch.fnmatch(path.name, "annotated*.pgn"):
                with _writing(path):
                    _must_not_be_a_folder(path)
    finally:
        for path in missing:  # nothing stays of a scan that comes to nothing
            with contextlib.suppress(OSError):
                path.rmdir()
    for aside in target.glob(".*.tmp"):
        found = re.fullmatch(r"\..+\.(\d+)\.tmp", aside.name)
        if found and not _lives(int(found[1])):
            with contextlib.suppress(OSError):
                aside.unlink()


def _lives(pid: int) -> bool:
    """Whether that process runs; where that cannot be asked, it does."""
    if os.name != "posix":
        return True
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    except (OSError, OverflowError):
        return True
    return True


def write_scan(scan: Scan, folder: str | os.PathLike[str], *, held: Held | None = None) -> Path:
    """Write scan.json into `folder`; equal scans give equal bytes. `held`: it waits for other files."""
    return write_aside(Path(folder) / SCAN_NAME, encode_in_pieces(scan), held)
