"""Processes as /proc shows them (Linux): who carries our mark, what they are, how much they hold.

Everything that a scan starts inherits its environment, so a folder named in TRAPSCAN_STORE marks parent, workers,
guards and engines alike, wherever they hang in the tree.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from dataclasses import dataclass
from pathlib import Path

PROC = Path("/proc")


@dataclass(frozen=True)
class Seen:
    """A process: id, parent, state letter of /proc, and its command line."""

    pid: int
    parent: int
    state: str
    command: str

    @property
    def role(self) -> str:
        """What it is to a scan: "guard", "worker", "tracker" (joblib's own), "scan", or "engine"; "ending" where it has
        no command line any more."""
        if not self.command:
            return "ending"
        if "engines/guard.py" in self.command:
            return "guard"
        if "resource_tracker" in self.command:
            return "tracker"
        if "loky" in self.command:
            return "worker"
        ours = "trapscan" in self.command or "faults.often" in self.command
        return "scan" if ours and " scan " in self.command else "engine"


def look(pid: int) -> Seen | None:
    """The process, or None when it is gone."""
    try:
        after = (PROC / str(pid) / "stat").read_text().rpartition(")")[2].split()
        command = (PROC / str(pid) / "cmdline").read_bytes().replace(b"\0", b" ").decode(errors="replace").strip()
    except OSError:
        return None
    return Seen(pid, int(after[1]), after[0], command)


def marked(mark: str) -> list[Seen]:
    """All living processes with `mark` in their environment, this one and zombies (which have none) left out."""
    found = []
    for pid in _pids():
        with contextlib.suppress(OSError):
            if pid != os.getpid() and mark.encode() in (PROC / str(pid) / "environ").read_bytes():
                seen = look(pid)
                if seen is not None and seen.state not in "ZX":
                    found.append(seen)
    return found


def zombies(of: int) -> list[Seen]:
    """Dead children of `of` that nobody has reaped."""
    every = (look(pid) for pid in _pids())
    return [seen for seen in every if seen is not None and seen.parent == of and seen.state == "Z"]


def left_over(mark: str, seconds: float, *, but: tuple[str, ...] = ()) -> list[Seen]:
    """What still runs under `mark` after at most `seconds` of waiting, but for processes of some roles."""
    deadline = time.monotonic() + seconds
    while (left := [seen for seen in marked(mark) if seen.role not in but]) and time.monotonic() < deadline:
        time.sleep(0.1)
    return left


def strike(seen: Seen, number: int = signal.SIGKILL) -> None:
    """Send a signal; a process that has gone already is no matter."""
    with contextlib.suppress(OSError):
        os.kill(seen.pid, number)


def resident_mib(pid: int | str = "self") -> float:
    """Memory in RAM."""
    return int((PROC / str(pid) / "statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 2**20


def open_files(pid: int | str = "self") -> int:
    """Open descriptors."""
    return len(list((PROC / str(pid) / "fd").iterdir()))


def _pids() -> list[int]:
    return [int(entry.name) for entry in PROC.iterdir() if entry.name.isdigit()]
