"""What a scan has to do with networks: nothing, in a network namespace without a single usable interface; and, with a
cluster, two namespaces as two hosts. Linux only, and where such namespaces may be made; else skipped."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import trapscan
from trapscan.engines import EngineSpec, Probe

ROOT = Path(trapscan.__file__).parent.parent
TINY = [
    "--set=budgets=[{chance=0.0, least=1000, most=1000}]",
    "--set=best_nodes=2000",
    "--set=confirm_nodes=1000",
    "--set=max_candidates=2",
    "--beyond=0",
    "--side=both",
]
LINES = "1. e4 e5 2. Bc4 Nc6 3. Qh5 Nf6 *\n"
SCAN = [sys.executable, "-m", "trapscan", "scan", "lines.pgn", "--out", "report", "--store", "store.db", *TINY]


def environment(**more: str) -> dict[str, str]:
    path = os.pathsep.join(part for part in (str(ROOT), os.environ.get("PYTHONPATH", "")) if part)
    return os.environ | {"PYTHONPATH": path} | more


def works(*command: str) -> bool:
    if shutil.which(command[0]) is None:
        return False
    return subprocess.run(command, capture_output=True).returncode == 0


def test_a_scan_needs_no_network(stockfish: tuple[EngineSpec, Probe], tmp_path: Path) -> None:
    """Not even the loopback interface is up; the report is written as ever, and nothing asked for a network."""
    alone = ["unshare", "--user", "--map-root-user", "--net"]
    if not works(*alone, "true"):
        pytest.skip("no network namespace can be made here (unshare -rn)")
    (tmp_path / "lines.pgn").write_text(LINES)
    watch = (
        "import socket, sys; sys.addaudithook(lambda event, args: event in ('socket.connect', 'socket.getaddrinfo', "
        "'socket.bind') and not isinstance(args[1] if event != 'socket.getaddrinfo' else (), str) and sys.stderr.write("
        "f'NETWORK {event} {args}\\n'))\n"
    )
    (tmp_path / "sitecustomize.py").write_text(watch)
    command = [*SCAN, "--engine", stockfish[0].command[0], "--jobs", "2"]
    env = environment(TRAPSCAN_STORE=str(tmp_path))
    env["PYTHONPATH"] = f"{tmp_path}{os.pathsep}{env['PYTHONPATH']}"
    check = [sys.executable, "-c", "import socket; socket.create_connection(('127.0.0.1', 9), 1)"]
    refused = subprocess.run([*alone, *check], capture_output=True, text=True, env=env)
    assert "unreachable" in refused.stderr and "NETWORK" in refused.stderr, "the namespace and the watch do their work"
    done = subprocess.run([*alone, *command], cwd=tmp_path, env=env, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    assert "NETWORK" not in done.stderr
    assert (tmp_path / "report" / "report.html").stat().st_size > 10_000


@pytest.fixture
def two_hosts(tmp_path: Path) -> Iterator[tuple[list[str], list[str]]]:
    """Prefixes of commands that run on the one (10.77.0.1) and on the other (10.77.0.2), joined by a virtual cable."""
    name = f"trapscan{os.getpid()}"
    one, other = f"{name}a", f"{name}b"
    try:
        for command in (
            f"netns add {one}",
            f"netns add {other}",
            f"-n {one} link add cable type veth peer name cable netns {other}",
            f"-n {one} addr add 10.77.0.1/24 dev cable",
            f"-n {other} addr add 10.77.0.2/24 dev cable",
            f"-n {one} link set cable up",
            f"-n {other} link set cable up",
            f"-n {one} link set lo up",
            f"-n {other} link set lo up",
        ):
            if not works("ip", *command.split()):
                pytest.skip("no two network namespaces can be joined here (ip netns, as root)")
        yield ["ip", "netns", "exec", one], ["ip", "netns", "exec", other]
    finally:
        for host in (one, other):
            works("ip", "netns", "del", host)


def test_two_hosts(two_hosts: tuple[list[str], list[str]], stockfish: tuple[EngineSpec, Probe], tmp_path: Path) -> None:
    """Scheduler and scan on one, the worker on the other, as README says; the bytes are those of a scan at home."""
    pytest.importorskip("distributed", reason="Dask is not installed: pip install 'trapscan[cluster]'")
    here, there = two_hosts
    (tmp_path / "lines.pgn").write_text(LINES)
    engine = ["--engine", stockfish[0].command[0]]
    env = environment(TRAPSCAN_STORE=str(tmp_path))
    started = []
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path, "env": env}
    dask, address = [sys.executable, "-m", "dask"], "tcp://10.77.0.1:8786"
    try:
        scheduler = [*dask, "scheduler", "--host", "10.77.0.1", "--port", "8786", "--no-dashboard"]
        started.append(subprocess.Popen([*here, *scheduler], **quiet))  # type: ignore[call-overload]
        worker = [*dask, "worker", address, "--nworkers", "2", "--nthreads", "1", "--no-dashboard"]
        started.append(subprocess.Popen([*there, *worker, "--local-directory", "there"], **quiet))  # type: ignore[call-overload]
        wide = subprocess.run(
            [*here, *SCAN, *engine, "--cluster", address],
            cwd=tmp_path,
            env=env,
            capture_output=True,
            text=True,
            timeout=300,
        )
        assert wide.returncode == 0, wide.stderr
    finally:
        for process in reversed(started):
            process.terminate()
            process.wait()
    (tmp_path / "report").rename(tmp_path / "wide")
    (tmp_path / "store.db").unlink()
    home = subprocess.run([*SCAN, *engine, "--jobs", "1"], cwd=tmp_path, env=env, capture_output=True, text=True)
    assert home.returncode == 0, home.stderr
    assert (tmp_path / "wide" / "scan.json").read_bytes() == (tmp_path / "report" / "scan.json").read_bytes()
