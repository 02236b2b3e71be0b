"""Standard output and error that never stop the work: what they do not take is lost, and it is known why."""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Callable, Iterator
from typing import TextIO


class Stream(io.TextIOBase):
    """Stands for a standard stream; `inner` is None where that is closed. What its encoding lacks is written as an
    escape; bytes go as they are. `lost` is why something could not be written, or empty."""

    def __init__(self, inner: TextIO | None) -> None:
        self._inner = inner
        self.lost = ""

    def write(self, text: str) -> int:
        """See TextIO; raises nothing."""
        if text:
            self._try(lambda inner: _write(inner, text))
        return len(text)

    def write_bytes(self, data: bytes) -> None:
        """Bytes, whatever the encoding; raises nothing."""
        self._try(lambda inner: _write_bytes(inner, data))

    def flush(self) -> None:
        """See TextIO; raises nothing."""
        if self._inner is not None:
            self._try(lambda inner: inner.flush())

    def _try(self, work: Callable[[TextIO], None]) -> None:
        if self.lost:
            return
        if self._inner is None:
            self.lost = "it is closed"
            return
        try:
            work(self._inner)
        except (OSError, ValueError) as exc:  # ValueError: closed on the way
            self.lost = getattr(exc, "strerror", None) or str(exc)
            _drain(self._inner)

    def isatty(self) -> bool:
        """See TextIO."""
        with contextlib.suppress(OSError, ValueError):
            return self._inner is not None and self._inner.isatty()
        return False

    def fileno(self) -> int:
        """See TextIO."""
        if self._inner is None:
            raise io.UnsupportedOperation("closed")
        return self._inner.fileno()

    @property
    def encoding(self) -> str:  # type: ignore[override]
        """See TextIO."""
        return getattr(self._inner, "encoding", None) or "utf-8"


def write_bytes(data: bytes) -> None:
    """To standard output as it is while a command runs: as they are, whatever its encoding."""
    out = sys.stdout
    if isinstance(out, Stream):
        out.write_bytes(data)
    else:
        _write_bytes(out, data)


def _write(inner: TextIO, text: str) -> None:
    try:
        inner.write(text)
    except UnicodeEncodeError:
        encoding = inner.encoding or "ascii"
        inner.write(text.encode(encoding, "backslashreplace").decode(encoding))


def _write_bytes(inner: TextIO, data: bytes) -> None:
    buffer = getattr(inner, "buffer", None)
    if buffer is None:
        inner.write(data.decode())
        return
    inner.flush()
    buffer.write(data)


def _drain(inner: TextIO) -> None:
    """Let what the stream still holds go nowhere: Python would try again at its end, and fail again."""
    with contextlib.suppress(OSError, ValueError):
        descriptor = inner.fileno()
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, descriptor)
        os.close(nowhere)
        inner.flush()


@contextlib.contextmanager
def sheltered() -> Iterator[Stream]:
    """sys.stdout and sys.stderr as such streams; gives standard output's. Closed descriptors are opened to nowhere,
    lest the next file that is opened (the store) becomes somebody's standard output."""
    with contextlib.suppress(OSError):
        while (lowest := os.open(os.devnull, os.O_RDWR)) <= 2:
            os.set_inheritable(lowest, True)
        os.close(lowest)
    before = sys.stdout, sys.stderr
    out, err = Stream(before[0]), Stream(before[1])
    sys.stdout, sys.stderr = out, err
    try:
        yield out
    finally:
        out.flush()
        err.flush()
        sys.stdout, sys.stderr = before
