"""Ends engines whose owner died without a word (SIGKILL, a crash). Most engines quit by themselves when their input
closes, but not all do, and none that hangs (measured: gnuchess and sjaakii go on searching).

Run as a script it is the guard itself: one small process beside each owner, told on its input which process groups
are alive ("+12" and "-12"); when the input ends, what is left is killed. No signal tied to the parent's *thread* and
nothing run between fork and exec, unlike PR_SET_PDEATHSIG. POSIX only; elsewhere the closed input must do.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterable

_lock = threading.Lock()
_guard: subprocess.Popen[bytes] | None = None
_owner = 0
_watched: set[int] = set()


def watch(pid: int) -> None:
    """Kill the process group `pid` if this process dies before `forget(pid)`."""
    if os.name != "posix":
        return
    with _lock:
        _ours()
        _watched.add(pid)
        if not _tell(f"+{pid}\n"):
            _start()


def forget(pid: int) -> None:
    """The process group is about to be reaped. With the last one the guard ends too."""
    with _lock:
        _ours()
        _watched.discard(pid)
        _tell(f"-{pid}\n")
        if not _watched:
            _stop()


def below(pid: int) -> list[int]:
    """The children of a process and theirs, those that have left its group among them; empty where the system does not
    tell."""
    found = [pid]
    for parent in found:
        try:
            with open(f"/proc/{parent}/task/{parent}/children", "rb") as file:  # noqa: PTH123
                found += [int(word) for word in file.read().split()]
        except OSError:
            continue
    return found[1:]


def end_group(pid: int, strays: Iterable[int]) -> None:
    """Kill a process's group, and those of its children that may have left it (`setsid`)."""
    with contextlib.suppress(OSError):
        os.killpg(pid, signal.SIGKILL)
    for stray in strays:
        with contextlib.suppress(OSError):
            os.kill(stray, signal.SIGKILL)


def _ours() -> None:
    """After a fork the guard and what it watches belong to the other process."""
    global _guard, _owner
    if _owner != os.getpid():
        _guard, _owner = None, os.getpid()
        _watched.clear()


def _tell(text: str) -> bool:
    if _guard is None or _guard.stdin is None:
        return False
    try:
        _guard.stdin.write(text.encode())
        _guard.stdin.flush()
    except OSError:
        _stop()
        return False
    return True


def _start() -> None:
    global _guard
    try:
        _guard = subprocess.Popen(
            [sys.executable, "-I", "-S", os.path.abspath(__file__)],  # noqa: PTH100 - no need for pathlib's import
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError:  # no more processes: the closed input must do
        _guard = None
        return
    _tell("".join(f"+{pid}\n" for pid in _watched))


def _stop() -> None:
    global _guard
    if _guard is None:
        return
    guard, _guard = _guard, None
    with contextlib.suppress(OSError):
        if guard.stdin is not None:
            guard.stdin.close()
    try:
        guard.wait(2)
    except subprocess.TimeoutExpired:
        guard.kill()
        guard.wait()


def main() -> None:
    """The guard's own life."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    alive: set[int] = set()
    for line in sys.stdin.buffer:
        if line[:1] == b"+":
            alive.add(int(line[1:]))
        else:
            alive.discard(int(line[1:]))
    for pid in alive:
        end_group(pid, below(pid))


if __name__ == "__main__":
    main()
