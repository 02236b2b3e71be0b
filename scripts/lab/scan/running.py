"""What the scripts here have in common: lines to scan, a cluster on this machine, this process's memory."""

from __future__ import annotations

import contextlib
import gzip
import json
import os
import resource
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import chess

DATA = Path(__file__).resolve().parents[4] / "shared/data"
QUIET = {"DASK_DISTRIBUTED__ADMIN__TICK__INTERVAL": "1s", "DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED": "False"}
"""Dask without its statistics, as README tells to start it."""


def opening_lines(folder: Path, number: int | None = None) -> list[str]:
    """Lines (SAN) of the tables of named openings (columns eco, name, pgn), so many at equal distances or all."""
    tables = sorted(folder.glob("*.tsv"))
    if not tables:
        sys.exit(f"no tables in {folder}; name the folder with --openings")
    lines = [row.split("\t")[2] for table in tables for row in table.read_text(encoding="utf-8").splitlines()[1:]]
    number = min(number or len(lines), len(lines))
    return [lines[i * len(lines) // number] for i in range(number)]


def game_lines(file: Path, positions: int, plies: int) -> list[str]:
    """The first plies of the games in a table (the last column: moves in UCI), until they hold so many positions."""
    seen: set[str] = set()
    lines = []
    with gzip.open(file, "rt", encoding="utf-8") as rows:
        next(rows)
        for row in rows:
            if len(seen) >= positions:
                break
            board, sans = chess.Board(), []
            for uci in row.rstrip("\n").split("\t")[-1].split()[:plies]:
                sans.append(board.san_and_push(chess.Move.from_uci(uci)))
                seen.add(board.epd())
            lines.append(" ".join(sans))
    return lines


def write_lines(lines: Sequence[str], file: Path) -> None:
    """A PGN file of them, a game each."""
    file.write_text("".join(f'[Event "Line"]\n[Result "*"]\n\n{line} *\n\n' for line in lines), encoding="utf-8")


def resident() -> float:
    """Memory of this process, MB (Linux)."""
    try:
        return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6
    except OSError:
        return 0.0


def peak() -> float:
    """The most memory this process ever had, MB."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024) / 1e6


@contextlib.contextmanager
def local_cluster(file: Path, workers: int, *, statistics: bool = False) -> Iterator[str]:
    """A scheduler and workers, processes of their own, as on other machines; the scheduler's address. `file`: where the
    scheduler writes it."""
    words = [sys.executable, "-m", "dask"]
    quiet: dict[str, Any] = {
        "stdout": subprocess.DEVNULL,
        "stderr": subprocess.DEVNULL,
        "env": os.environ | ({} if statistics else QUIET),
    }
    common = ["--no-dashboard", "--scheduler-file", str(file)]
    started = [subprocess.Popen([*words, "scheduler", "--host", "127.0.0.1", "--port", "0", *common], **quiet)]
    try:
        while not file.exists() or not file.read_text():
            time.sleep(0.05)
        for number in range(workers):
            own = ["--nthreads", "1", "--no-nanny", "--local-directory", str(file.with_suffix(f".{number}"))]
            started.append(subprocess.Popen([*words, "worker", *own, *common], **quiet))
        from distributed import Client

        with Client(scheduler_file=str(file), set_as_default=False) as client:
            client.wait_for_workers(workers)
        yield str(json.loads(file.read_text())["address"])
    finally:
        for process in reversed(started):
            process.terminate()
            process.wait()
