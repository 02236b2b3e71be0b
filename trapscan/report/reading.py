"""Reading scan.json, a finding at a time where it is laid out as trapscan writes it."""

from __future__ import annotations

import codecs
import io
import os
import uuid
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

import msgspec

from trapscan.contract import SCHEMA, Finding, Scan
from trapscan.errors import ReportError
from trapscan.report.checking import check
from trapscan.report.files import SCAN_NAME
from trapscan.sanitize import sanitize
from trapscan.spool import Spool

OLDER = "trapscan.scan/1"
MAX_BYTES = 512 * 2**20
"""No more of a scan.json is in memory at once: of one that is laid out as trapscan writes it, what stands around the
findings, or one of them; of any other the whole."""

OPENS, NEXT, LAST = b'  "findings": [\n', b"    },\n", b"    }\n"
"""The line before the findings, and those that end one of several and the last."""


class _Head(msgspec.Struct):
    schema: str


class _Unread(Scan, frozen=True, kw_only=True):
    """A scan whose findings are not looked at yet."""

    findings: tuple[msgspec.Raw, ...]  # type: ignore[assignment]


class _OtherLayout(Exception):
    """The file is not laid out as trapscan writes it, or no JSON at all."""


def read_scan(folder_or_file: str | os.PathLike[str]) -> Scan:
    """The scan of a report folder or of a scan.json; raises ReportError, in one line, on anything wrong with it."""
    path = Path(folder_or_file)
    try:
        if path.is_dir():
            path = path / SCAN_NAME
        if not path.is_file():
            raise ReportError(f"no {SCAN_NAME} at {sanitize(str(path))}: give the folder that `trapscan scan` wrote")
        with path.open("rb") as file:
            return _scan_in(file, str(path))
    except (OSError, ValueError) as exc:
        raise ReportError(f"cannot read {sanitize(str(path))}: {sanitize(str(exc))}") from exc


def decode_scan(data: bytes, *, source: str = SCAN_NAME) -> Scan:
    """A scan from the bytes of a scan.json: types by the contract, then the sense of it (`check`)."""
    return _scan_in(io.BytesIO(data), source)


def _scan_in(file: BinaryIO, source: str) -> Scan:
    where = sanitize(source, limit=300)
    try:
        try:
            scan = _a_finding_at_a_time(file, where)
        except _OtherLayout:
            scan = _at_once(file, where)
        check(scan)
    except ReportError:
        raise
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError, ValueError) as exc:
        raise ReportError(f"{where} is not a scan of trapscan: {sanitize(str(exc), limit=300)}") from exc
    return scan


def _at_once(file: BinaryIO, where: str) -> Scan:
    file.seek(0)
    data = file.read(MAX_BYTES + 1)
    if len(data) > MAX_BYTES:
        raise ReportError(
            f"{where} is larger than {MAX_BYTES // 2**20} MiB and not laid out as trapscan writes it: not read"
        )
    read = _unread(data.removeprefix(codecs.BOM_UTF8), where)
    del data
    return _with_findings(read, read.findings)


def _a_finding_at_a_time(file: BinaryIO, where: str) -> Scan:
    """Exactly what `_at_once` makes of the same bytes: the findings are values of JSON with commas between them, and
    what stands around them is JSON with something in their place that the file cannot hold. Raises _OtherLayout."""
    hole = f'"{uuid.uuid4()}"'.encode()
    around = [text for inside, text in _apart(file, hole) if not inside]
    if around.count(OPENS) != 1:
        raise _OtherLayout
    try:
        read = _unread(b"".join(around).removeprefix(codecs.BOM_UTF8), where)
        if list(map(bytes, read.findings)) != [hole]:  # they are another list's
            raise _OtherLayout
        return _with_findings(read, (msgspec.Raw(text) for inside, text in _apart(file, hole) if inside))
    except msgspec.ValidationError:
        raise
    except msgspec.DecodeError as exc:  # read as one it says where
        raise _OtherLayout from exc


def _apart(file: BinaryIO, hole: bytes) -> Iterator[tuple[bool, bytes]]:
    """The file in pieces, and whether each is a finding; `hole` stands in the place of all of them, among the lines
    around them."""
    file.seek(0)
    lines, held, size = iter(lambda: file.readline(MAX_BYTES), b""), list[bytes](), 0
    for line in lines:
        size = _no_more(size + len(line))
        yield False, line
        if line != OPENS:
            continue
        yield False, hole
        inside = 0
        for line in lines:
            if line in (NEXT, LAST):
                yield True, b"".join((*held, b"}"))
                held, inside = [], 0
                if line == LAST:
                    break
            else:
                held.append(line)
                inside = _no_more(inside + len(line))
    if held:
        raise _OtherLayout


def _no_more(size: int) -> int:
    if size > MAX_BYTES:
        raise _OtherLayout
    return size


def _unread(data: bytes, where: str) -> _Unread:
    head = msgspec.json.decode(data, type=_Head)
    if head.schema != SCHEMA:
        raise ReportError(f"{where} {_other_schema(head.schema)}")
    return msgspec.json.decode(data, type=_Unread)


def _with_findings(read: _Unread, findings: Iterable[msgspec.Raw]) -> Scan:
    fields = {name: getattr(read, name) for name in read.__struct_fields__}
    return Scan(**fields | {"findings": Spool(Finding, _each(findings))})


def _each(findings: Iterable[msgspec.Raw]) -> Iterator[Finding]:
    """The findings, one at a time. Raises msgspec.DecodeError with the place."""
    decode = msgspec.json.Decoder(Finding).decode
    for number, finding in enumerate(findings):
        try:
            yield decode(finding)
        except msgspec.ValidationError as exc:
            said, _, inside = str(exc).partition(" - at `$")
            raise msgspec.ValidationError(f"{said} - at `$.findings[{number}]{inside or '`'}") from None


def _other_schema(name: str) -> str:
    if name == OLDER:
        return (
            f"was written by an older trapscan ({OLDER}): scan again, with the same command; the engine's answers are "
            "in the store, so that it takes seconds"
        )
    return f"follows {sanitize(name, limit=60)!r}; this trapscan reads {SCHEMA!r}"
