"""Engines started at the same addresses every time: what some of them answer depends on where their memory lies."""

from __future__ import annotations

import contextlib
import ctypes
import functools
import sys
from collections.abc import Callable, Iterator

NO_RANDOMIZE = 0x0040000  # ADDR_NO_RANDOMIZE of <sys/personality.h>, Linux
_ASK = 0xFFFFFFFF  # personality(2): tells and changes nothing


@functools.cache
def _personality() -> Callable[[int], int] | None:
    if not sys.platform.startswith("linux"):
        return None
    try:
        call = ctypes.CDLL(None).personality
    except (OSError, AttributeError):
        return None
    call.argtypes, call.restype = [ctypes.c_ulong], ctypes.c_int
    return lambda wanted: int(call(wanted))


@contextlib.contextmanager
def same_layout() -> Iterator[None]:
    """Programs that this thread starts meanwhile find their memory at the same addresses each time.

    Only on Linux, and only where the system permits it (containers may not): elsewhere nothing changes, and an engine
    that depends on it does not quite repeat itself. The setting is the thread's own and is put back.
    """
    personality = _personality()
    before = -1 if personality is None else personality(_ASK)
    if personality is None or before < 0 or personality(before | NO_RANDOMIZE) < 0:
        yield
        return
    try:
        yield
    finally:
        personality(before)
