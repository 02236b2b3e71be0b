"""An engine finds its memory at the same addresses each time, where the system permits it."""

from __future__ import annotations

import subprocess
import threading
from pathlib import Path

import pytest

from tests.engines.processes import needs_proc
from trapscan.engines.fixed_addresses import NO_RANDOMIZE, same_layout
from trapscan.engines.process import EngineProcess

pytestmark = needs_proc


def _permitted() -> bool:
    """By a program that is not ours: util-linux's setarch."""
    try:
        return subprocess.run(["setarch", "-R", "true"], check=False, capture_output=True).returncode == 0
    except OSError:
        return False


def _stack_of(process: EngineProcess) -> str:
    maps = Path(f"/proc/{process.pid}/maps").read_text()
    return next(line.split()[0] for line in maps.splitlines() if line.endswith("[stack]"))


def test_engines_are_started_at_the_same_addresses() -> None:
    if not _permitted():
        pytest.skip("this system does not permit it (setarch -R fails)")
    seen = set()
    for _ in range(4):
        process = EngineProcess(["cat"])
        process.send("started\n")
        assert next(process.read_lines(5, "line")) == b"started"
        seen.add(_stack_of(process))
        process.close()
    assert len(seen) == 1


def test_the_threads_own_setting_is_put_back() -> None:
    def flag() -> int:
        return int(Path(f"/proc/self/task/{threading.get_native_id()}/personality").read_text(), 16) & NO_RANDOMIZE

    before = flag()
    with same_layout():
        assert flag() == (NO_RANDOMIZE if _permitted() else before)
    assert flag() == before
    with pytest.raises(RuntimeError), same_layout():
        raise RuntimeError("a program that cannot be started")
    assert flag() == before
