"""A scan on a Dask cluster: a real scheduler and real worker processes, killed in the middle; and who is refused.

Skipped where the extra `cluster` is not installed; the continuous integration installs it.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import msgspec
import pytest

import trapscan
from tests.job.small_scans import BUDGETS
from trapscan.contract import encode_scan
from trapscan.engines import EngineSpec, Probe, engine_identity
from trapscan.engines.limits import DepthLimit
from trapscan.engines.spec import parse
from trapscan.errors import ClusterError, EngineRefusedError, InputError
from trapscan.job import Progress, scan, worker_check
from trapscan.job.tools import Tools
from trapscan.settings import build

pytest.importorskip("distributed", reason="Dask is not installed: pip install 'trapscan[cluster]'")
from trapscan.job import cluster as cluster_room

Stockfish = tuple[EngineSpec, Probe]
BOTH: dict[str, Any] = {"side": "both", "settings": {**BUDGETS, "beyond": 0, "max_candidates": 3}}
LINES = "1. e4 e5 (1... c5 2. Nf3) (1... e6 2. d4) (1... c6) 2. Bc4 Nc6 3. Qh5 Nf6 (3... g6 4. Qf3) *\n"
QUIET = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}


@dataclass
class Host:
    """A scheduler and its workers, as a user would start them."""

    folder: Path
    environment: dict[str, str]
    processes: list[subprocess.Popen[bytes]] = field(default_factory=list)
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def file(self) -> Path:
        return self.folder / "scheduler.json"

    @property
    def address(self) -> str:
        return str(json.loads(self.file.read_text())["address"])

    def _start(self, *command: str) -> subprocess.Popen[bytes]:
        words = [sys.executable, "-m", "dask", *command, "--no-dashboard", "--scheduler-file", str(self.file)]
        self.processes.append(subprocess.Popen(words, env=self.environment, **QUIET))  # type: ignore[call-overload]
        return self.processes[-1]

    def scheduler(self) -> subprocess.Popen[bytes]:
        started = self._start("scheduler", "--host", "127.0.0.1", "--port", "0")
        deadline = time.monotonic() + 60
        while not self.file.exists() or not self.file.read_text():
            assert started.poll() is None and time.monotonic() < deadline, "no scheduler"
            time.sleep(0.05)
        return started

    def worker(self) -> None:
        local = self.folder / f"worker{len(self.workers)}"
        self.workers.append(
            self._start(
                "worker", "--nthreads", "1", "--no-nanny", "--local-directory", str(local), "--death-timeout", "60"
            )
        )

    def end(self) -> None:
        for process in reversed(self.processes):
            process.kill()
            process.wait()


class Watch(Progress):
    """Does something after so many positions; keeps the notes."""

    def __init__(self, after: int = 0, then: Callable[[], None] | None = None) -> None:
        self.notes: list[str] = []
        self.after, self.then = after, then

    def step(self, positions: int, slips: int) -> None:
        self.after -= positions
        if self.after <= 0 and self.then is not None:
            then, self.then = self.then, None
            then()

    def note(self, text: str) -> None:
        self.notes.append(text)


@pytest.fixture
def host(tmp_path: Path) -> Iterator[Callable[..., Host]]:
    """A function that starts a scheduler and so many workers."""
    started: list[Host] = []

    def start(workers: int, **variables: str) -> Host:
        root = str(Path(trapscan.__file__).parent.parent)
        path = os.pathsep.join(part for part in (root, os.environ.get("PYTHONPATH", "")) if part)
        started.append(Host(tmp_path, os.environ | {"PYTHONPATH": path} | variables))
        started[-1].scheduler()
        for _ in range(workers):
            started[-1].worker()
        return started[-1]

    yield start
    for one in started:
        one.end()


@pytest.fixture
def lines(tmp_path: Path) -> Path:
    file = tmp_path / "lines.pgn"
    file.write_text(LINES)
    return file


@pytest.fixture(scope="module")
def at_home(stockfish: Stockfish, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The bytes of the scan with one worker, in this process."""
    folder = tmp_path_factory.mktemp("home")
    (folder / "lines.pgn").write_text(LINES)
    engine = stockfish[0].command[0]
    return encode_scan(scan([folder / "lines.pgn"], engine=engine, jobs=1, store=folder / "store.db", **BOTH).scan)


# --- a scan ----------------------------------------------------------------------------------------------------------


def test_a_worker_killed_in_the_middle(
    at_home: bytes, host: Callable[..., Host], lines: Path, tmp_path: Path, stockfish: Stockfish
) -> None:
    """What it had in hand another does; the bytes are those of a local run; the store is ours, and a second run needs
    no cluster at all."""
    two = host(2)
    engine, store = stockfish[0].command[0], tmp_path / "store.db"
    watch = Watch(4, two.workers[0].kill)
    result = scan([lines], engine=engine, cluster=two.address, store=store, progress=watch, **BOTH)
    assert watch.then is None, "one was killed"
    assert encode_scan(result.scan) == at_home
    assert (result.stats.positions.from_store, result.scan.problems) == (0, ())
    two.end()
    again = scan([lines], engine=engine, cluster="tcp://127.0.0.1:9", store=store, **BOTH)
    assert again.stats.positions.from_store == again.stats.positions.done and encode_scan(again.scan) == at_home


def test_all_workers_lost_and_a_new_one_comes(
    at_home: bytes,
    host: Callable[..., Host],
    lines: Path,
    tmp_path: Path,
    stockfish: Stockfish,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The user is told; a worker that joins late proves its engine like the others."""
    monkeypatch.setattr(cluster_room, "LOOK_SECONDS", 0.3)
    only = host(1)

    class Relieve(Watch):
        def note(self, text: str) -> None:
            super().note(text)
            if text.startswith("No worker is left"):
                only.worker()

    watch = Relieve(3, lambda: only.workers[0].kill())
    store = tmp_path / "store.db"
    result = scan([lines], engine=stockfish[0].command[0], cluster=only.address, store=store, progress=watch, **BOTH)
    assert encode_scan(result.scan) == at_home
    assert len(only.workers) >= 2 and any("No worker is left at tcp://" in note for note in watch.notes)


def test_a_lost_scheduler_ends_the_scan_and_loses_nothing(
    at_home: bytes,
    host: Callable[..., Host],
    lines: Path,
    tmp_path: Path,
    stockfish: Stockfish,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(cluster_room, "CONNECT_SECONDS", 8.0)  # the client tries as long to find it again
    one = host(1)
    engine, store = stockfish[0].command[0], tmp_path / "store.db"
    with pytest.raises(ClusterError, match=r"lost.*what is finished is kept") as told:
        scan(
            [lines],
            engine=engine,
            cluster=one.address,
            store=store,
            progress=Watch(3, one.processes[0].kill),
            **BOTH,
        )
    assert "\n" not in str(told.value)
    resumed = scan([lines], engine=engine, jobs=1, store=store, **BOTH)
    assert resumed.stats.positions.from_store >= 3 and encode_scan(resumed.scan) == at_home


def test_a_task_that_dask_gives_up_is_no_endless_wait(
    host: Callable[..., Host], lines: Path, tmp_path: Path, stockfish: Stockfish
) -> None:
    """With no failure allowed, Dask gives a task up at the first worker that dies of it."""
    one = host(1, DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES="0")
    watch = Watch(2, one.workers[0].kill)
    with pytest.raises(ClusterError, match="lost"):
        scan(
            [lines],
            engine=stockfish[0].command[0],
            cluster=one.address,
            store=tmp_path / "store.db",
            progress=watch,
            **BOTH,
        )


def test_who_cannot_prove_its_engine_gets_no_position(
    host: Callable[..., Host], lines: Path, tmp_path: Path, stockfish: Stockfish, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Here the scan claims other chances than the workers find: all are refused, and each reason is told."""
    monkeypatch.setattr("trapscan.job.worker_check.chances_digest", lambda levels: "others")
    one, watch = host(1), Watch()
    with pytest.raises(EngineRefusedError, match="every worker of the cluster is refused: its chances of moves differ"):
        scan(
            [lines],
            engine=stockfish[0].command[0],
            cluster=one.address,
            store=tmp_path / "store.db",
            progress=watch,
            **BOTH,
        )
    assert [note.split(" is refused: ")[0].split(":")[0] for note in watch.notes] == ["Worker tcp"]


def test_no_scheduler(lines: Path, tmp_path: Path, stockfish: Stockfish, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster_room, "CONNECT_SECONDS", 1.0)
    engine, store = stockfish[0].command[0], tmp_path / "store.db"
    for address in ("tcp://127.0.0.1:9", "nonsense://here", "127.0.0.1:nine"):
        with pytest.raises(ClusterError, match="no scheduler answers at") as told:
            scan([lines], engine=engine, cluster=address, store=store, **BOTH)
        assert "\n" not in str(told.value)
    with monkeypatch.context() as without:  # a client that fails over its address may hinder the next one's start
        without.delattr("trapscan.job.cluster.distributed.Client")
        with pytest.raises(ClusterError, match="no scheduler answers at nonsense"):
            scan([lines], engine=engine, cluster="nonsense://here", store=store, **BOTH)
    with pytest.raises(InputError, match="either jobs or cluster"):
        scan([lines], engine=engine, cluster="tcp://127.0.0.1:9", jobs=2, store=store, **BOTH)


# --- the proof -------------------------------------------------------------------------------------------------------


@pytest.fixture
def tools(stockfish: Stockfish) -> Tools:
    spec, probe = stockfish
    settings = build({"levels": (1000, 1800)})
    return Tools(spec, probe, engine_identity(spec, probe, settings.hash_mb, {}), settings, Path("store.db"))


def test_the_same_machine_is_admitted(tools: Tools) -> None:
    admitted = worker_check.admit(worker_check.claim(tools))
    assert isinstance(admitted, Tools)
    assert (admitted.spec.command, admitted.identity, admitted.store) == (tools.spec.command, tools.identity, None)


def test_the_engine_is_found_where_it_lies_there(tools: Tools, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The path is another on that machine: it is found by its name, or named by TRAPSCAN_ENGINE."""
    elsewhere = replace(tools, spec=replace(tools.spec, command=("/opt/chess/stockfish",)))
    admitted = worker_check.admit(worker_check.claim(elsewhere))
    assert isinstance(admitted, Tools) and admitted.spec.command == tools.spec.command
    copy = tmp_path / "engine of ours"
    shutil.copy(tools.spec.command[0], copy)
    monkeypatch.setenv("TRAPSCAN_ENGINE", str(copy))
    admitted = worker_check.admit(
        worker_check.claim(replace(tools, spec=replace(tools.spec, command=("/opt/chess/other",))))
    )
    assert isinstance(admitted, Tools) and admitted.spec.command == (str(copy),)


def test_another_engine_is_refused(tools: Tools, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Same name, same path here, one byte more."""
    monkeypatch.setenv("PATH", "")
    monkeypatch.setattr("trapscan.engines.spec._PLACES_POSIX", ())
    patched = tmp_path / "stockfish"
    patched.write_bytes(Path(tools.spec.command[0]).read_bytes() + b"\0")
    patched.chmod(0o755)
    claim = worker_check.claim(replace(tools, spec=parse(str(patched))))
    assert worker_check.admit(claim) == f"no engine there has the same bytes and options as here (tried {patched})"
    patched.unlink()
    reason = worker_check.admit(claim)
    assert reason == "there is no engine 'stockfish' there: install it, or name it in TRAPSCAN_ENGINE"
    monkeypatch.setenv("TRAPSCAN_ENGINE", str(patched))
    assert "not found" in str(worker_check.admit(claim))


def test_other_code_is_refused(tools: Tools) -> None:
    claim = replace(worker_check.claim(tools), code="other", version="9.9")
    assert "other code of trapscan" in str(worker_check.admit(claim)) and "9.9 here" in str(worker_check.admit(claim))


def test_what_a_probe_must_agree_on(tools: Tools) -> None:
    probe = tools.probe
    assert worker_check.difference(probe, msgspec.structs.replace(probe, nps=1, author="x")) == "", "speed may differ"
    other = msgspec.structs.replace(probe, driven_by=DepthLimit())
    assert worker_check.difference(probe, other).endswith("limit_kind ('depth' there, 'nodes' here)")
    assert worker_check.difference(probe, msgspec.structs.replace(probe, options=probe.options[1:])).endswith(
        "of options"
    )
    assert "is refused: no" in worker_check.difference(probe, msgspec.structs.replace(probe, refused="no"))
