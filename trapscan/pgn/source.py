"""Files into blocks of bytes: packed or plain, in any encoding that chess files have, of any size, in little memory."""

from __future__ import annotations

import bz2
import codecs
import gzip
import io
import re
import stat
import zlib
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from trapscan.errors import InputError
from trapscan.pgn.text import UTF_16

BLOCK = 1 << 18
"""Bytes that are looked at at once."""
MAX_UNPACKED = 200
"""Times its size that a packed file may unpack to, besides UNPACKED_FREE bytes. Games pack to a third or a tenth; what
packs a thousandfold was made to fill a memory."""
UNPACKED_FREE = 64 * 1024 * 1024

Part = tuple[Path, int, int]
"""A file, and the bytes of it from here to there (0: to the end)."""

_GZIP, _BZIP2 = b"\x1f\x8b", b"BZh"
_LONGEST_TAG = 2_048
_EVENT = re.compile(rb'\[Event[ \t]+"')
_BLANK_BEFORE = re.compile(rb'(?:\A|[\r\n])[ \t]*[^\s\[%"][^\r\n"]*(?:\r\n|\r|\n)(?:[ \t]*(?:\r\n|\r|\n))+[ \t]*\Z')


class UnpacksTooFar(Exception):
    """A packed file unpacks to far more than chess games do. Never leaves the room that reads it."""


def must_be_file(path: Path) -> None:
    """Raises InputError where there is no file of this name: nothing, a folder, a pipe or a device without an end."""
    try:
        kind = path.stat().st_mode
    except OSError as exc:
        raise InputError(f"cannot read '{path.name}': {exc.strerror or exc}") from exc
    except ValueError as exc:  # a name with a NUL character
        raise InputError(f"cannot read {str(path)!r}: {exc}") from exc
    if stat.S_ISDIR(kind):
        raise InputError(f"cannot read '{path.name}': it is a directory")
    if not stat.S_ISREG(kind):
        raise InputError(f"cannot read '{path.name}': it is no regular file, and games are read more than once")


def parts_of(path: Path, size: int) -> list[Part]:
    """A file of games in parts of `size` bytes or more. A plain file is parted where a game surely begins, whatever
    stands before it; one that has no such place, a packed one and one in UTF-16 come whole.

    Raises InputError where it cannot be opened or is no regular file.
    """
    must_be_file(path)
    try:
        total = path.stat().st_size
        with path.open("rb") as file:
            head = file.read(4)
            if head.startswith((_GZIP, _BZIP2, *(mark for mark, _ in UTF_16))) or _packed_by_name(path):
                return [(path, 0, 0)]
            borders = [0]
            while (border := _next_game(file, borders[-1] + size)) is not None:
                borders.append(border)
    except OSError as exc:
        raise InputError(f"cannot read '{path.name}': {exc.strerror or exc}") from exc
    return [(path, start, end) for start, end in zip(borders, [*borders[1:], total], strict=True)]


def blocks(part: Part, told: Callable[[int], object] | None = None) -> Iterator[bytes]:
    """The bytes of a part, unpacked, in UTF-8 where they were UTF-16, without byte-order mark. `told` hears after each
    block how many bytes of the file itself were read for it.

    Each block but the last ends at the end of a line, before its line feed; a line longer than a block is cut before a
    blank, and never inside a tag. Raises InputError where the file cannot be read or unpacked, UnpacksTooFar.
    """
    path, start, end = part
    try:
        with path.open("rb") as file:
            yield from cut_pieces(_decoded(_read(file, path, start, end, told)))
    except (OSError, EOFError, zlib.error) as exc:
        raise InputError(f"cannot read '{path.name}': {getattr(exc, 'strerror', None) or exc}") from exc


def cut(data: bytes) -> Iterator[bytes]:
    """Blocks, as `blocks` gives them, of bytes at hand."""
    return cut_pieces(data[at : at + BLOCK] for at in range(0, len(data), BLOCK))


def read_all(path: Path, limit: int) -> tuple[bytes, bytes]:
    """A file's bytes as they are, and unpacked: at most one more than `limit` of each. Raises InputError."""
    try:
        with path.open("rb") as file:
            raw = _up_to(limit + 1, file)
        packed = _opened(io.BytesIO(raw), path)
        return raw, raw if packed is None else _up_to(limit + 1, packed)
    except (OSError, EOFError, zlib.error) as exc:
        raise InputError(f"cannot read '{path.name}': {getattr(exc, 'strerror', None) or exc}") from exc
    except ValueError as exc:  # a name with a NUL character
        raise InputError(f"cannot read {str(path)!r}: {exc}") from exc


def _up_to(limit: int, file: BinaryIO) -> bytes:
    """In pieces: asked for at once, so much memory is taken, however little there is to read."""
    pieces = []
    while limit > 0 and (piece := file.read(min(BLOCK, limit))):
        pieces.append(piece)
        limit -= len(piece)
    return b"".join(pieces)


# --- parts -----------------------------------------------------------------------------------------------------------


def _next_game(file: BinaryIO, at: int) -> int | None:
    """Where the first game begins at or after `at` that begins whatever came before: an Event tag after a blank line,
    and no tag in the line before that."""
    overlap = 4_096
    at -= overlap  # what stands before the place decides too
    file.seek(max(0, at))
    data, base = b"", max(0, at)
    while more := file.read(BLOCK):
        kept = data[-overlap:]
        base += len(data) - len(kept)
        data = kept + more
        for found in _EVENT.finditer(data):
            place = base + found.start()
            if place >= at + overlap and _BLANK_BEFORE.search(data, max(0, found.start() - overlap), found.start()):
                return place
    return None


# --- unpacking, decoding, cutting ------------------------------------------------------------------------------------


def _packed_by_name(path: Path) -> bool:
    return path.suffix.lower() in (".gz", ".bz2")


def _opened(file: BinaryIO, path: Path) -> BinaryIO | None:
    """The file unpacked; None where it is not packed. It stands at its beginning, and does so again."""
    head = file.read(4)
    file.seek(0)
    if head.startswith(_BZIP2):
        return bz2.BZ2File(file)  # type: ignore[return-value]
    if head.startswith(_GZIP):
        return gzip.GzipFile(fileobj=file)  # type: ignore[return-value]
    if _packed_by_name(path):
        raise OSError(f"it is not packed as its name says ({path.suffix})")
    return None


def _read(file: BinaryIO, path: Path, start: int, end: int, told: Callable[[int], object] | None) -> Iterator[bytes]:
    """Pieces of at most BLOCK bytes, unpacked."""
    packed = _opened(file, path)
    here = start
    if packed is None:
        file.seek(start)
    left = end - start if end else None
    size = 0
    while piece := (packed or file).read(BLOCK if left is None else min(BLOCK, left)):
        if left is not None:
            left -= len(piece)
        elif packed is not None:
            size += len(piece)
            if size > UNPACKED_FREE + MAX_UNPACKED * file.tell():
                raise UnpacksTooFar(f"it unpacks to more than {MAX_UNPACKED} times its size: the rest is not read")
        yield piece
        if told is not None:
            here, before = file.tell(), here
            told(here - before)
    if told is not None:
        told(file.tell() - here)


def _decoded(pieces: Iterator[bytes]) -> Iterator[bytes]:
    """UTF-8 of UTF-16; everything else as it is, without a mark at the beginning."""
    first = next(pieces, b"")
    for mark, name in UTF_16:
        if first.startswith(mark):
            decoder = codecs.getincrementaldecoder(name)(errors="replace")
            yield decoder.decode(first[len(mark) :]).encode(errors="replace")
            for piece in pieces:
                yield decoder.decode(piece).encode(errors="replace")
            return
    yield first.removeprefix(codecs.BOM_UTF8)
    yield from pieces


def cut_pieces(pieces: Iterable[bytes]) -> Iterator[bytes]:
    data = b""
    for piece in pieces:
        data += piece
        while len(data) >= BLOCK:
            place = _place_to_cut(data)
            yield data[:place]
            data = data[place:]
    if data:
        yield data


def _place_to_cut(data: bytes) -> int:
    """Before the blanks in front of the last line: what they separate is looked at together with them."""
    line_end = max(data.rfind(b"\n"), data.rfind(b"\r"))
    if line_end > 3:
        return len(data[:line_end].rstrip()) or line_end - 3
    tail = len(data) - _LONGEST_TAG
    bracket = data.rfind(b"[", tail)
    if bracket > 0 and b"]" not in data[bracket:]:
        return bracket
    blank = max(data.rfind(b" ", tail), data.rfind(b"\t", tail))
    return blank if blank > 0 else len(data)
