"""What is measured about an engine, and how long it is waited for, must not hang on what else the machine has to do."""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
import time
from collections.abc import Iterator

import pytest

from trapscan.engines import EngineSpec, choose, probe
from trapscan.engines.clock import processor_seconds, waited_seconds
from trapscan.engines.limits import SLOW_NPS, pace_of
from trapscan.engines.measure import measure
from trapscan.engines.process import EngineProcess
from trapscan.errors import EngineTimeoutError

HOGS = 8

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux") or waited_seconds(os.getpid()) == 0.0,
    reason="the system does not tell how long a process waited for a processor",
)

WORKS = textwrap.dedent("""
    import sys, time
    while time.process_time() < float(sys.argv[1]):
        pass
    print("done", flush=True)
    time.sleep(600)
""")
"""A program that answers after so many seconds of processor time."""


@pytest.fixture
def crowded() -> Iterator[None]:
    """One processor for us, for all that we start, and for eight busy loops."""
    mine = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {max(mine)})
    busy = [sys.executable, "-I", "-S", "-c", "while True: pass"]
    # Each in a session of its own, as engines are: Linux may share the processor among sessions, not processes.
    hogs = [subprocess.Popen(busy, start_new_session=True) for _ in range(HOGS)]
    try:
        yield
    finally:
        for hog in hogs:
            hog.kill()
            hog.wait()
        os.sched_setaffinity(0, mine)


def test_the_clock_of_another_process(crowded: None) -> None:
    process = subprocess.Popen([sys.executable, "-I", "-S", "-c", "while True: pass"])
    try:
        time.sleep(1.5)
        had, waited = processor_seconds(process.pid), waited_seconds(process.pid)
        assert 0 < had < 1.0 < had + waited < 4.0
    finally:
        process.kill()
        process.wait()
    assert processor_seconds(process.pid) == waited_seconds(process.pid) == 0.0


def test_an_engine_is_not_blamed_for_the_time_it_did_not_get(crowded: None) -> None:
    """Its answer costs one second of processor time; two are allowed, and pass long before."""
    process = EngineProcess([sys.executable, "-I", "-S", "-c", WORKS, "1.0"])
    try:
        start = time.monotonic()
        assert next(process.read_lines(2.0, "answer")) == b"done"
        assert time.monotonic() - start > 3.0, "the machine was not crowded, so nothing was tested"
    finally:
        process.close(patience=0)


def test_an_engine_that_takes_too_long_is_found_out_all_the_same(crowded: None) -> None:
    process = EngineProcess([sys.executable, "-I", "-S", "-c", WORKS, "600"])
    try:
        with pytest.raises(EngineTimeoutError):
            next(process.read_lines(0.8, "answer"))
    finally:
        process.close(patience=0)


SLEEPY = textwrap.dedent("""
    import sys, time
    for line in sys.stdin:
        word = line.split()[0] if line.split() else ""
        if word == "uci":
            print("id name sleepy\\nuciok", flush=True)
        if word == "isready":
            print("readyok", flush=True)
        if word == "go":
            time.sleep(0.3)
            nodes = int(line.split()[2]) if line.split()[1] == "nodes" else 500
            print(f"info depth 4 score cp 31 nodes {nodes} pv e7e6\\nbestmove e7e6", flush=True)
""")


def test_speed_is_that_of_the_processor_time() -> None:
    """An engine that is held up three tenths of a second in each search counts 20,000 nodes in it: by the wall that are
    67,000 nodes a second."""
    from trapscan.engines.measure import _Measurement

    trial = _Measurement(EngineSpec("sleepy", (sys.executable, "-I", "-S", "-c", SLEEPY)), {})
    try:
        assert trial._speed("nodes 20000")[0] > 500_000
    finally:
        trial.close()


@pytest.mark.parametrize("speed", [300_000, 130_000, 75_000])
def test_an_engine_seen_at_a_quarter_of_its_speed_is_watched_all_the_same(speed: int) -> None:
    """Fairy-Stockfish, which does 300,000 to 500,000 nodes a second, was once measured at 131,072 under a load of
    eight, and a scan had other bytes."""
    assert pace_of(speed) >= SLOW_NPS


@pytest.mark.engine
def test_the_facts_are_the_same_in_a_crowd(crowded: None) -> None:
    spec = choose("embedded")
    if spec.box is not None and spec.box.small:
        pytest.skip("the small one takes minutes")
    told, measured = probe(spec), measure(spec, {})
    for field in (
        "limit_kind",
        "driven_by",
        "noise",
        "multipv",
        "searchmoves",
        "reproducible",
        "stops",
    ):
        assert getattr(told, field) == getattr(measured, field), field
    assert measured.watchable
    assert [measured.limit(10**n)[0] for n in range(3, 9)] == [told.limit(10**n)[0] for n in range(3, 9)]
