"""A scan or its engines are killed midway: nothing done is lost, nothing is left behind, the bytes are the same."""

from __future__ import annotations

import contextlib
import itertools
import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.engines.processes import deadly_send
from tests.job.small_scans import SMALL, Spied
from trapscan.contract import encode_scan
from trapscan.engines import EngineSpec, Probe
from trapscan.engines.process import EngineProcess
from trapscan.job import scan

Stockfish = tuple[EngineSpec, Probe]

KILLED = textwrap.dedent("""
    import sys
    from pathlib import Path
    from trapscan.job import Progress, scan

    class Tell(Progress):
        def step(self, positions, slips):
            print("step", flush=True)

    if __name__ == "__main__":
        file, store, engine, settings, jobs = sys.argv[1:6]
        scan([file], engine=engine, jobs=int(jobs), store=Path(store), progress=Tell(), settings=eval(settings))
""")


@pytest.fixture
def killed_midway(lines: Path, stockfish: Stockfish, tmp_path: Path) -> Callable[[int], tuple[Path, list[int]]]:
    """A function that runs the scan with so many workers and kills it after four positions: the store, and the
    processes below the one killed."""

    def run(jobs: int) -> tuple[Path, list[int]]:
        script, store = tmp_path / "run.py", tmp_path / "store.db"
        script.write_text(KILLED)
        settings = [stockfish[0].command[0], repr(SMALL), str(jobs)]
        with subprocess.Popen(
            [sys.executable, str(script), str(lines), str(store), *settings], stdout=subprocess.PIPE
        ) as process:
            assert process.stdout is not None
            assert [process.stdout.readline() for _ in range(4)] == [b"step\n"] * 4
            below = descendants(process.pid)
            process.kill()
        assert process.returncode == -signal.SIGKILL
        return store, below

    return run


def status(pid: int) -> tuple[int, str]:
    """Parent and state of a process; (0, "") when there is none."""
    try:
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0, ""
    return int(fields[1]), fields[0]


def descendants(pid: int) -> list[int]:
    """All processes below this one, engines in their own sessions included."""
    parents = {int(entry.name): status(int(entry.name))[0] for entry in Path("/proc").iterdir() if entry.name.isdigit()}
    found = [pid]
    for parent in found:
        found += [child for child, its in parents.items() if its == parent]
    return found[1:]


needs_linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="kills, and reads /proc")


@needs_linux
def test_a_killed_run_goes_on(
    first: Spied, lines: Path, stockfish: Stockfish, killed_midway: Callable[[int], tuple[Path, list[int]]]
) -> None:
    store, _ = killed_midway(1)
    resumed = scan([lines], engine=stockfish[0].command[0], jobs=1, store=store, settings=SMALL)
    assert 4 <= resumed.stats.positions.from_store < resumed.stats.positions.done, (
        "it was killed midway, and nothing done is lost"
    )
    assert encode_scan(resumed.scan) == encode_scan(first.result.scan)


@needs_linux
def test_a_killed_run_leaves_no_workers(killed_midway: Callable[[int], tuple[Path, list[int]]]) -> None:
    _, below = killed_midway(2)
    left = below
    try:
        deadline = time.monotonic() + 5
        while left and time.monotonic() < deadline:
            time.sleep(0.1)
            left = [pid for pid in left if status(pid)[1] not in ("", "Z")]
        assert below and not left
    finally:
        for pid in left:
            with contextlib.suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)


@needs_linux
def test_fifty_kills_change_no_byte(first: Spied, lines: Path, stockfish: Stockfish, tmp_path: Path) -> None:
    """SIGKILL after `go`, in the midst of a scan, every second search until 50 engines are dead."""
    killed: list[int] = []
    every_second = itertools.cycle((True, False))
    doomed = deadly_send(lambda: next(every_second) and len(killed) < 50, killed)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(EngineProcess, "send", doomed)
        result = scan([lines], engine=stockfish[0].command[0], jobs=1, store=tmp_path / "store.db", settings=SMALL)
    assert len(set(killed)) == 50 == result.stats.restarts
    assert result.scan.problems == ()
    assert encode_scan(result.scan) == encode_scan(first.result.scan)
