"""The owner's files with the findings in them, written beside a report."""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from trapscan.contract import InputFile, Scan
from trapscan.errors import RepertoireError
from trapscan.pgn import normalize, without_ours
from trapscan.repertoire.annotate import annotate
from trapscan.repertoire.reading import is_pgn, read_bytes
from trapscan.report.entry import Entry
from trapscan.report.files import Held, write_aside
from trapscan.sanitize import on_disk


def write_annotated(
    scan: Scan,
    entries: Iterable[Entry],
    folder: str | os.PathLike[str],
    files: Sequence[Path],
    *,
    held: Held | None = None,
) -> list[Path]:
    """Write the scan's PGN files with these findings put in, into the folder: annotated.pgn, or one for each of several
    files. `files` are those of the scan, in its order: the owner's, or `annotated_files`. One that is not PGN, or not
    any more what was scanned, is left out. Returns what was written, which waits in `held` for other files, if given;
    raises ReportError where that cannot be.
    """
    names = names_of(scan.input.files)
    found = list(_found(scan.input.files, names, files))
    if not found:
        return []
    written = annotate([data for _, data in found], list(entries))
    return [
        write_aside(Path(folder) / on_disk(name), data, held) for (name, _), data in zip(found, written, strict=True)
    ]


def annotated_files(scan: Scan, folder: str | os.PathLike[str]) -> list[Path]:
    """What `write_annotated` has written into a folder: it holds all there is of the owner's files."""
    return [Path(folder) / on_disk(name) for name in names_of(scan.input.files)]


def _found(known: Sequence[InputFile], names: Sequence[str], sources: Sequence[Path]) -> Iterator[tuple[str, bytes]]:
    """The files that are as they were, each with the name that it gets."""
    for file, name, path in zip(known, names, sources, strict=True):
        if not path.is_file():
            continue
        try:
            _, data = read_bytes(path)
        except RepertoireError:
            continue
        text = without_ours(normalize(data))
        if hashlib.sha256(text).hexdigest() == (file.text or file.sha256) and is_pgn(Path(file.name), text):
            yield name, data


def names_of(files: Sequence[InputFile]) -> list[str]:
    """The names of the annotated files: letters, digits and dashes, whatever the files are called."""
    if len(files) == 1:
        return ["annotated.pgn"]
    stems = (re.sub(r"[^\w-]+", "-", Path(file.name).stem).strip("-")[:60] for file in files)
    return [f"annotated-{number}-{stem}.pgn" for number, stem in enumerate(stems, 1)]


__all__ = ["annotated_files", "write_annotated"]
