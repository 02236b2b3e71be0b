"""The end of a child's output that we hold: bytes as they come, every wait with a deadline, memory bounded.

Where the system can wait for a pipe (POSIX) the asking thread does so itself, which spares a hand-over between threads
for every line; elsewhere another thread reads for it.
"""

from __future__ import annotations

import contextlib
import os
import queue
import select
import threading
import time
from typing import IO, Protocol

_CHUNK = 1 << 16
_WAITING_CHUNKS = 64  # with _CHUNK: at most 4 MiB wait to be read, then the child has to


class Output(Protocol):
    """What a child writes. A child whose output nobody takes is slowed down, not believed."""

    def read(self, seconds: float) -> bytes | None:
        """What has come, waiting for it no longer than `seconds`; None if nothing did, b"" once it has ended."""
        ...

    def close(self) -> None:
        """Done with it; what another thread still waits for ends soon. The child must be dead."""
        ...


class PolledOutput:
    """Waits in the thread that asks. Other threads may ask too, but only one waits at a time: the others get None."""

    def __init__(self, pipe: IO[bytes]) -> None:
        self._pipe = pipe
        self._fd = pipe.fileno()
        os.set_blocking(self._fd, False)
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)
        self._reading = threading.Lock()

    def read(self, seconds: float) -> bytes | None:
        """See `Output`."""
        if not self._reading.acquire(blocking=False):
            time.sleep(min(seconds, 0.01))
            return None
        try:
            if self._pipe.closed:
                return b""
            if not self._poll.poll(seconds * 1000):
                return None
            return os.read(self._fd, _CHUNK)
        except BlockingIOError:
            return None
        except OSError:
            return b""
        finally:
            self._reading.release()

    def close(self) -> None:
        """See `Output`."""
        with self._reading:  # a descriptor must not be closed under a reader
            self._pipe.close()


class ThreadedOutput:
    """A thread of its own reads: the only way to wait with a deadline on every system."""

    def __init__(self, pipe: IO[bytes]) -> None:
        self._pipe = pipe
        self._closed = False
        # SimpleQueue wakes its reader several times faster than Queue; the bound is kept by the reading thread.
        self._chunks: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        threading.Thread(target=self._run, name="engine output", daemon=True).start()

    def _run(self) -> None:
        fd = self._pipe.fileno()
        while not self._closed:
            try:
                chunk = os.read(fd, _CHUNK)
            except OSError:
                chunk = b""
            while self._chunks.qsize() >= _WAITING_CHUNKS and not self._closed:
                time.sleep(0.001)
            self._chunks.put(chunk)
            if not chunk:
                break
        self._pipe.close()  # here and not in close(): a descriptor must not be closed under a reader

    def read(self, seconds: float) -> bytes | None:
        """See `Output`."""
        with contextlib.suppress(queue.Empty):
            # without a wait where there is none to be: if another thread takes the chunk instead, one with a timeout
            # may wait for ever (CPython 3.11; found by the soak: a worker outlived its killed scan)
            return self._chunks.get(timeout=seconds) if seconds > 0 else self._chunks.get_nowait()
        return None

    def close(self) -> None:
        """See `Output`."""
        self._closed = True


def output_of(pipe: IO[bytes]) -> Output:
    """The best that this system has for a child's output."""
    return PolledOutput(pipe) if os.name == "posix" and hasattr(select, "poll") else ThreadedOutput(pipe)
