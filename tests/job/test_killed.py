"""Workers that are killed, and workers whose scan is killed: the scan goes on, and nothing is left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from tests.engines.processes import children, needs_proc
from trapscan.contract import encode_scan
from trapscan.engines import EngineSpec, Probe
from trapscan.errors import WorkerError
from trapscan.job import scan
from trapscan.job.tools import Tools
from trapscan.job.workers import MOST_BREAKS, Processes
from trapscan.settings import build

ENGINE = Path(__file__).parent.parent / "engines" / "material_uci.py"
FACTS = Probe(name="Material 1.0", nps=1_000_000, multipv=True, searchmoves=True)
TINY: dict[str, Any] = {
    "budgets": [{"chance": 0.0, "least": 200, "most": 200}],
    "best_nodes": 300,
    "confirm_nodes": 200,
    "max_candidates": 2,
    "beyond": 0,
    "levels": (1500,),
}

pytestmark = needs_proc


def command(pid: int) -> str:
    try:
        return (Path("/proc") / str(pid) / "cmdline").read_bytes().replace(b"\0", b" ").decode()
    except OSError:
        return ""


def workers(of: int | None = None) -> list[int]:
    return [pid for pid in children(of) if "LokyProcess" in command(pid)]


@pytest.fixture
def lines(tmp_path: Path) -> Path:
    file = tmp_path / "lines.pgn"
    file.write_text("1. e4 e5 2. Nf3 Nc6 3. Bc4 Nd4 4. Nxe5 Qg5 5. Nxf7 Qxg2 *\n")
    return file


def test_a_killed_worker_is_replaced(lines: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trapscan.engines.probe", lambda spec, **_: FACTS)
    engine = f"{sys.executable} {ENGINE} 30"
    whole = scan([lines], side="both", engine=engine, jobs=1, store=tmp_path / "one.db", settings=TINY).scan
    killed: list[int] = []

    def strike() -> None:
        for pause in (0.5, 1.0):  # the second time a new pair is at work
            while not (at_work := [pid for pid in workers() if children(pid) and pid not in killed]):
                time.sleep(0.02)
            time.sleep(pause / 5)
            killed.append(at_work[0])
            os.kill(at_work[0], signal.SIGKILL)

    thread = threading.Thread(target=strike, daemon=True)
    thread.start()
    result = scan([lines], side="both", engine=engine, jobs=2, store=tmp_path / "two.db", settings=TINY)
    assert killed and result.scan.problems == ()
    assert encode_scan(result.scan) == encode_scan(whole)


def test_workers_that_are_killed_without_end(tmp_path: Path) -> None:
    """A task that kills its own worker each time: the others' results come, then one error of one line."""
    tools = Tools(EngineSpec("none", ()), FACTS, "", build({}), None)  # the task looks at none of it
    got = []
    items = [(item, str(tmp_path)) for item in (1, 2, 3, 4, 5)]
    with pytest.raises(WorkerError, match=r"1 positions are left .* --jobs") as told, Processes(2) as processes:
        for result in processes.each(fatal_four, tools, items):
            (tmp_path / str(result)).touch()
            got.append(result)
    assert sorted(got) == [1, 2, 3, 5] and "\n" not in str(told.value) and MOST_BREAKS > 1
    assert workers() == []


def fatal_four(tools: Tools, item: tuple[int, str]) -> int:
    """Four kills its worker, once the others' results have arrived: else a slow machine would lose them again."""
    number, folder = item
    if number == 4:
        while len(list(Path(folder).iterdir())) < 4:
            time.sleep(0.02)
        os.kill(os.getpid(), signal.SIGKILL)
    return number


@pytest.mark.parametrize("after_start", [0.0, 0.3])
def test_a_killed_scan_takes_its_workers_along(lines: Path, tmp_path: Path, after_start: float) -> None:
    """At once, when they have not yet looked for work, or a little later."""
    script = f"""
from pathlib import Path
import trapscan.engines
from trapscan.engines import Probe
from trapscan.engines.limits import NodeLimit
from trapscan.job import scan
trapscan.engines.probe = lambda spec, **_: {FACTS!r}
scan([Path({str(lines)!r})], side="both", engine={f"{sys.executable} {ENGINE} 200"!r}, jobs=2,
     store=Path({str(tmp_path / "store.db")!r}), settings={TINY!r})
"""
    parent = subprocess.Popen([sys.executable, "-c", script], stderr=subprocess.DEVNULL)
    try:
        while not (pids := workers(parent.pid)) and parent.poll() is None:
            time.sleep(0.01)
        time.sleep(after_start)
    finally:
        parent.kill()
        parent.wait()
    assert pids
    deadline = time.monotonic() + 15
    while any("LokyProcess" in command(pid) for pid in pids) and time.monotonic() < deadline:
        time.sleep(0.1)
    assert [pid for pid in pids if "LokyProcess" in command(pid)] == []
