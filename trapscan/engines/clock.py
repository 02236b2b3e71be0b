"""How much processor time a process has had, and how long it was kept waiting for it: what a busy machine does to an
engine, so that it can be told from what the engine does. Linux tells both, other systems neither."""

from __future__ import annotations

import contextlib
import ctypes
import functools
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path


@functools.cache
def _clock_of() -> Callable[[int], int | None]:
    """POSIX's clock_getcpuclockid(3): the number of the clock of another process, all of its threads, dead ones too."""
    nobody: Callable[[int], int | None] = lambda pid: None  # noqa: E731
    if not sys.platform.startswith("linux"):
        return nobody
    try:
        call = ctypes.CDLL(None).clock_getcpuclockid
    except (OSError, AttributeError):
        return nobody

    def clock(pid: int) -> int | None:
        found = ctypes.c_int()
        return found.value if call(pid, ctypes.byref(found)) == 0 else None

    return clock


def processor_seconds(pid: int) -> float:
    """Processor time that a process has taken, all threads, without its children; 0 where the system does not tell."""
    clock = _clock_of()(pid)
    with contextlib.suppress(OSError, AttributeError):
        return time.clock_gettime(clock) if clock is not None else 0.0
    return 0.0


def waited_seconds(pid: int) -> float:
    """How long the threads of a process that are alive, taken together, were ready to run and got no processor (the
    second number of Linux's schedstat); 0 where the system does not tell."""
    waited = 0
    with contextlib.suppress(OSError):
        for thread in os.scandir(f"/proc/{pid}/task"):
            with contextlib.suppress(OSError, ValueError, IndexError):
                waited += int(Path(thread.path, "schedstat").read_bytes().split()[1])
    return waited / 1e9
