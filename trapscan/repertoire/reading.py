"""Files into a repertoire: reading the bytes, telling the format, calling the reader for it."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from pathlib import Path

from trapscan.contract import InputFile
from trapscan.errors import InputError, RepertoireError
from trapscan.movetree import Repertoire
from trapscan.pgn import TAG, normalize, read_all, without_ours
from trapscan.repertoire.collect import MAX_FILE_BYTES, Collector, LimitReached, nothing_in
from trapscan.repertoire.lists import PLACEMENT, read_epd, read_san_lines
from trapscan.repertoire.pgn import PgnReader
from trapscan.sanitize import readable

_TAG_LINE = re.compile(rb"(?:\A|[\r\n])[ \t]{0,20}" + TAG.pattern)
_FIRST_LINE = re.compile(rb"(?:\A|[\r\n])[^\S\r\n]*+(?![%;#]|//)(\S[^\r\n]{0,200})")


def read_files(paths: Sequence[Path]) -> Repertoire:
    """Read PGN files, EPD or FEN lists and files of SAN lines, in the order given, as one repertoire.

    What cannot be read is reported in `problems` (file, game from 1, ply from 1 or 0, text), and what is sound before
    it is kept. Raises RepertoireError, one line, on a file that cannot be opened, holds no move and no position, is
    larger than MAX_FILE_BYTES, or has a game of another variant than standard chess.
    """
    if not paths:
        raise RepertoireError("no repertoire file given")
    collector = Collector()
    files = []
    full = False
    for path in map(Path, paths):
        raw, data = read_bytes(path)
        data = without_ours(normalize(data))
        name = readable(path.name)
        files.append(input_file(name, raw, data))
        collector.open_file(name)
        if full:
            collector.problem("not read: the files before it have reached the limit")
            continue
        try:
            reader_for(path, data)(data, collector)
        except LimitReached as exc:
            collector.problem(str(exc))
            full = True
        collector.close_file()
        if not collector.useful and not full:
            raise nothing_in(path.name, collector.problems)
    return Repertoire(tuple(files), tuple(collector.games), collector.forest, tuple(collector.problems))


def input_file(name: str, raw: bytes, text: bytes) -> InputFile:
    """A file by its bytes, and by the text that is read of them."""
    whole, read = (hashlib.sha256(data).hexdigest() for data in (raw, text))
    return InputFile(name=name, sha256=whole, text=read if read != whole else "")


def is_pgn(path: Path, data: bytes) -> bool:
    """Whether a file of this name and text is read as PGN."""
    return reader_for(path, data) is _read_pgn


def reader_for(path: Path, data: bytes) -> Callable[[bytes, Collector], None]:
    """The reader for a file's content; its suffix decides only where the content leaves it open."""
    head = data[:65_536]
    suffix = (Path(path.stem) if path.suffix.lower() in (".gz", ".bz2") else path).suffix.lower()
    first = _FIRST_LINE.search(head)
    if first and PLACEMENT.match(first[1] + b" "):
        return read_epd
    if suffix == ".pgn" or _TAG_LINE.search(head):
        return _read_pgn
    if suffix in (".epd", ".fen"):
        return read_epd
    return read_san_lines


def _read_pgn(data: bytes, collector: Collector) -> None:
    PgnReader(collector).read(data)


def read_bytes(path: Path) -> tuple[bytes, bytes]:
    """The file as it is, and unpacked."""
    try:
        raw, data = read_all(path, MAX_FILE_BYTES)
    except InputError as exc:
        raise RepertoireError(str(exc)) from exc
    if max(len(raw), len(data)) > MAX_FILE_BYTES:
        raise RepertoireError(f"'{path.name}' is larger than {MAX_FILE_BYTES // 1024**2} MiB: split it")
    if not data.strip():
        raise RepertoireError(f"'{path.name}' is empty")
    return raw, data
