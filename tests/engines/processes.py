"""Counting processes, to see that none is left behind, and killing engines at a known moment (Linux: /proc)."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from trapscan.engines.process import EngineProcess

needs_proc = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="counts processes in /proc")


def children(of: int | None = None) -> list[int]:
    """Process ids whose parent is `of` (default: this process), zombies included."""
    parent = of or os.getpid()
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with contextlib.suppress(OSError, ValueError, IndexError):
                after = (entry / "stat").read_text().rpartition(")")[2].split()
                if int(after[1]) == parent:
                    found.append(int(entry.name))
    return found


def running_with(word: str) -> list[int]:
    """Process ids, anywhere, with `word` among their arguments."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit() and int(entry.name) != os.getpid():
            with contextlib.suppress(OSError):
                if word.encode() in (entry / "cmdline").read_bytes():
                    found.append(int(entry.name))
    return found


def wait_until_gone(word: str, seconds: float = 5.0) -> list[int]:
    """What is still running with `word` after at most `seconds`."""
    deadline = time.monotonic() + seconds
    while (left := running_with(word)) and time.monotonic() < deadline:
        time.sleep(0.02)
    return left


def deadly_send(doomed: Callable[[], bool], killed: list[int]) -> Callable[[EngineProcess, str], None]:
    """An `EngineProcess.send` that kills the engine in the midst of each search for which `doomed()` is true, and notes
    its process id. The engine is stopped before it is told to search: on a busy machine it could answer before the
    kill otherwise."""
    send = EngineProcess.send

    def deadly(self: EngineProcess, text: str) -> None:
        last = "\ngo " in text and doomed()
        if last:
            os.kill(self.pid, signal.SIGSTOP)
        send(self, text)
        if last:
            killed.append(self.pid)
            os.kill(self.pid, signal.SIGKILL)

    return deadly
