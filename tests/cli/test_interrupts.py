"""Ctrl-C from the first moment to the last."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest

from tests.job.test_scan_killed import status
from trapscan.cli.interrupts import SAID

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="signals, and reads /proc")

LINES = "1. e4 e5 2. Bc4 Nc6 3. Qh5 Nf6 *\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 *\n"


def ended(body: str) -> subprocess.CompletedProcess[str]:
    script = "import signal\nfrom trapscan.cli.interrupts import Interrupts\n\n\ndef press():\n"
    script += "    signal.raise_signal(signal.SIGINT)\n\n\n" + textwrap.dedent(body)
    return subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False, timeout=30)


def test_before_anything_is_begun_it_ends_at_once() -> None:
    """Whoever catches exceptions meanwhile: libraries that are imported do."""
    end = ended("""
        with Interrupts(stay=True):
            try:
                press()
            except BaseException:
                pass
            print("here", flush=True)
    """)
    assert (end.returncode, end.stdout) == (130, "") and "interrupted" in end.stderr and "Trace" not in end.stderr


def test_once_is_an_exception_twice_the_end() -> None:
    end = ended("""
        with Interrupts(stay=True) as interrupts:
            interrupts.begun()
            try:
                press()
            except KeyboardInterrupt:
                print("once", interrupts.came, flush=True)
            press()
            print("here", flush=True)
    """)
    assert (end.returncode, end.stdout, end.stderr) == (130, "once True\n", "")


def test_where_it_cannot_be_raised_it_comes_again() -> None:
    end = ended("""
        import time

        class Closing:
            def __del__(self):
                press()

        with Interrupts(stay=True) as interrupts:
            interrupts.begun()
            try:
                Closing()
                time.sleep(10)
            except KeyboardInterrupt:
                print("came", flush=True)
    """)
    assert (end.returncode, end.stdout, end.stderr) == (0, "came\n", "")


def test_at_the_very_end_it_changes_nothing() -> None:
    end = ended("""
        import os

        class Last:
            def __del__(self, kill=os.kill, me=os.getpid()):
                kill(me, 2)
                print("torn down", flush=True)

        last = Last()
        with Interrupts(stay=True) as interrupts:
            interrupts.begun()
    """)
    assert (end.returncode, end.stdout, end.stderr) == (0, "torn down\n", "")


def test_the_second_takes_a_file_away_that_is_being_written(tmp_path: Path) -> None:
    end = ended(f"""
        from pathlib import Path
        from trapscan.report.files import write_aside

        def data():
            yield b"half"
            for _ in range(2):
                try:
                    press()
                except KeyboardInterrupt:
                    pass

        with Interrupts(stay=True) as interrupts:
            interrupts.begun()
            write_aside(Path({str(tmp_path / "file")!r}), data())
    """)
    assert end.returncode == 130 and list(tmp_path.iterdir()) == []


def marked(mark: str) -> list[int]:
    """Processes with this word in their environment."""
    found = []
    for entry in Path("/proc").iterdir():
        try:
            if entry.name.isdigit() and b"MOMENT=" + mark.encode() + b"\0" in (entry / "environ").read_bytes():
                found.append(int(entry.name))
        except OSError:
            continue
    return [pid for pid in found if status(pid)[1] not in ("", "Z")]


@pytest.mark.parametrize(("jobs", "times"), [(1, 1), (2, 1), (2, 2)])
def test_random_moments(jobs: int, times: int, options: list[str], workplace: Path) -> None:
    """Not before Python itself has started, which takes its time on a busy machine. By hand 100 moments: scripts/run
    hostile."""
    rng = random.Random(jobs * 10 + times)
    before = time.monotonic()
    subprocess.run([sys.executable, "-c", "import chess"], check=True)
    started = max(0.3, 5 * (time.monotonic() - before))
    Path("lines.pgn").write_text(LINES)
    words = [*options, "--jobs", str(jobs), "--beyond", "2", "--out", "there"]
    for number in range(3):
        mark = f"{os.getpid()}-{jobs}-{times}-{number}"
        with subprocess.Popen(
            [sys.executable, "-m", "trapscan", "scan", "lines.pgn", *words, "--store", f"store{number}"],
            env={**os.environ, "MOMENT": mark},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            start_new_session=True,
            text=True,
        ) as process:
            time.sleep(started + rng.uniform(0, 2.7))
            for _ in range(times):
                if process.poll() is None:
                    os.killpg(process.pid, signal.SIGINT)
                    time.sleep(rng.uniform(0, 0.1))
            _, said = process.communicate(timeout=60)
        assert process.returncode in (130, 0), said
        assert said.strip() in ("", SAID.strip())
        deadline = time.monotonic() + 10
        while (left := marked(mark)) and time.monotonic() < deadline:
            time.sleep(0.1)
        assert not left
        assert not list(Path().rglob("*.tmp"))
