"""Sequences whose records are not in memory: each is made anew when it is asked for."""

from __future__ import annotations

import contextlib
import tempfile
from array import array
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, TypeVar, overload

import msgspec

from trapscan.errors import StoreError
from trapscan.sanitize import sanitize

Record = TypeVar("Record")

IN_MEMORY = 4 * 2**20
"""Bytes of packed records that stay in memory; where there are more, all lie in a file."""


class Lazy(Sequence[Record]):
    """A sequence that makes its records when they are asked for: equal to any with equal records."""

    def _made(self, number: int) -> Record:
        raise NotImplementedError

    @overload
    def __getitem__(self, at: int) -> Record: ...
    @overload
    def __getitem__(self, at: slice) -> tuple[Record, ...]: ...
    def __getitem__(self, at: int | slice) -> Record | tuple[Record, ...]:
        chosen = range(len(self))[at]
        return self._made(chosen) if isinstance(chosen, int) else tuple(map(self._made, chosen))

    def __iter__(self) -> Iterator[Record]:
        return map(self._made, range(len(self)))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Sequence) or len(self) != len(other):
            return False
        return all(mine == theirs for mine, theirs in zip(self, other, strict=True))

    __hash__ = None  # type: ignore[assignment]

    def __reduce__(self) -> tuple[Any, ...]:
        return tuple, (tuple(self),)


class Spool(Lazy[Record]):
    """Records of one `kind` (what msgspec decodes them as), packed one behind the other in a file without a name, which
    goes with the last who knows it. StoreError where that has no room."""

    def __init__(self, kind: Any, records: Iterable[Record] = ()) -> None:
        self._file = tempfile.SpooledTemporaryFile(IN_MEMORY)  # noqa: SIM115 (it stays open)
        self._encode = msgspec.msgpack.Encoder().encode
        self._decode = msgspec.msgpack.Decoder(kind).decode
        self._ends = array("Q", [0])
        for record in records:
            self.add(record)

    def add(self, record: Record) -> int:
        """Keep one more; its number."""
        packed = self._encode(record)
        with _room():
            self._file.seek(self._ends[-1])
            self._file.write(packed)
        self._ends.append(self._ends[-1] + len(packed))
        return len(self) - 1

    def __len__(self) -> int:
        return len(self._ends) - 1

    def _made(self, number: int) -> Record:
        start, end = self._ends[number : number + 2]
        with _room():  # what was added last may be written only now
            self._file.seek(start)
            made: Record = self._decode(self._file.read(end - start))
        return made


@contextlib.contextmanager
def _room() -> Iterator[None]:
    """What the system says against the file, as a StoreError."""
    try:
        yield
    except OSError as exc:
        raise StoreError(
            f"the folder for temporary files, {sanitize(tempfile.gettempdir())}, cannot take what the scan has found "
            f"({exc.strerror or exc}): free space there or name another by TMPDIR; what is finished is kept"
        ) from exc


class Picked(Lazy[Record]):
    """Some records of another sequence, by their numbers there, in another order."""

    def __init__(self, source: Sequence[Record], numbers: Iterable[int]) -> None:
        self._source, self._numbers = source, array("I", numbers)

    def __len__(self) -> int:
        return len(self._numbers)

    def _made(self, number: int) -> Record:
        return self._source[self._numbers[number]]


__all__ = ["Picked", "Spool"]
