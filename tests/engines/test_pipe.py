"""Both ways of reading a child: what comes, nothing within a deadline, the end, a close under a reader."""

from __future__ import annotations

import subprocess
import sys
import threading
import time
from collections.abc import Callable
from typing import IO

import pytest

from trapscan.engines.pipe import Output, PolledOutput, ThreadedOutput

WAYS = [
    ThreadedOutput,
    pytest.param(PolledOutput, marks=pytest.mark.skipif(sys.platform == "win32", reason="pipes cannot be polled")),
]
pytestmark = pytest.mark.parametrize("way", WAYS)
Way = Callable[[IO[bytes]], Output]


def child(code: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-I", "-S", "-c", code], stdout=subprocess.PIPE, stdin=subprocess.PIPE, bufsize=0
    )


def test_what_comes_then_the_end(way: Way) -> None:
    process = child("print('x' * 300_000)")
    assert process.stdout is not None
    output = way(process.stdout)
    got = b""
    while chunk := output.read(10):
        got += chunk
    assert chunk == b"" and len(got) == 300_001
    process.wait()
    output.close()


def test_a_wait_ends_at_its_deadline(way: Way) -> None:
    process = child("input(); print('late')")
    assert process.stdout is not None and process.stdin is not None
    output = way(process.stdout)
    start = time.monotonic()
    assert output.read(0.2) is None
    assert 0.19 <= time.monotonic() - start < 5
    assert output.read(0) is None
    process.stdin.write(b"\n")
    assert output.read(10) == b"late\n"
    process.wait()
    output.close()


def test_another_thread_may_end_it_while_one_reads(way: Way) -> None:
    process = child("import time; time.sleep(60)")
    assert process.stdout is not None
    output = way(process.stdout)
    found: list[bytes | None] = []
    reader = threading.Thread(target=lambda: found.append(output.read(20)))
    reader.start()
    time.sleep(0.2)
    process.kill()
    process.wait()
    output.close()
    reader.join(10)
    assert found == [b""]
