"""Processes: nothing outlives its owner, a kill changes no answer, a suspended engine is replaced."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import textwrap
import time
import uuid
from pathlib import Path

import msgspec
import pytest
from joblib import Parallel, delayed

from tests.engines.processes import children, deadly_send, needs_proc, running_with, wait_until_gone
from trapscan.engines import Engine, EngineSpec, Probe, choose, probe
from trapscan.engines.process import EngineProcess
from trapscan.model import Evaluation, Query

FAKE = Path(__file__).with_name("fake_uci.py")
START = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq -"
FACTS = Probe(name="Fake 1.0", nps=1_000_000)

pytestmark = needs_proc

# First positions after one move each: cheap, different, legal.
EPDS = [
    "rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq -",
    "rnbqkbnr/pppppppp/8/8/3P4/8/PPP1PPPP/RNBQKBNR b KQkq -",
    "rnbqkbnr/pppppppp/8/8/2P5/8/PP1PPPPP/RNBQKBNR b KQkq -",
    "rnbqkbnr/pppppppp/8/8/8/5N2/PPPPPPPP/RNBQKB1R b KQkq -",
    "rnbqkbnr/pppppppp/8/8/6P1/8/PPPPPP1P/RNBQKBNR b KQkq -",
]


OWNER = textwrap.dedent("""
    import signal, sys, threading
    from trapscan.engines import Engine, EngineSpec, Probe
    signal.signal(signal.SIGINT, signal.default_int_handler)  # shells start background jobs with it ignored
    from trapscan.model import Query
    spec = EngineSpec("fake", (sys.executable, "-I", "-S", sys.argv[1], "hangs", sys.argv[2]))
    engine = Engine(spec, Probe(name="x", nps=1000000), patience=600)
    threading.Timer(0.5, lambda: print("searching", flush=True)).start()
    engine.evaluate(Query(sys.argv[3], 1000))
""")


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_a_hanging_engine_dies_with_its_owner(number: int) -> None:
    # The scripted engine ignores everything once it hangs, even the end of its input.
    mark = f"mark-{uuid.uuid4().hex}"
    owner = subprocess.Popen(
        [sys.executable, "-c", OWNER, str(FAKE), mark, START], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert owner.stdout is not None
    try:
        assert owner.stdout.readline() == b"searching\n"
        assert len(running_with(mark)) == 2
        owner.send_signal(number)
        assert owner.wait(10) != 0
        assert wait_until_gone(mark) == []
    finally:
        owner.kill()
        owner.wait()
        owner.stdout.close()


def test_ctrl_c_in_the_terminal_does_not_reach_the_engine() -> None:
    with Engine(EngineSpec("fake", (sys.executable, str(FAKE), "good")), FACTS) as engine:
        engine.evaluate(Query(START, 1000))
        assert engine.pid is not None
        assert os.getpgid(engine.pid) == engine.pid != os.getpgrp()
        assert os.getsid(engine.pid) != os.getsid(0)


def test_a_script_s_own_children_die_with_it(tmp_path: Path) -> None:
    mark = f"mark-{uuid.uuid4().hex}"
    script = tmp_path / "engine"
    script.write_text(f'#!/bin/sh\n"{sys.executable}" "{FAKE}" deaf-to-quit {mark}\necho over\n')  # no exec: a child
    script.chmod(0o755)
    with Engine(choose(str(script)), FACTS) as engine:
        engine.evaluate(Query(START, 1000))
        assert len(running_with(mark)) == 1
    assert wait_until_gone(mark) == []


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="children are told by /proc")
@pytest.mark.parametrize("way", ["good", "deaf-to-quit"])
def test_a_child_in_a_session_of_its_own_dies_too(way: str, tmp_path: Path) -> None:
    mark = f"mark-{uuid.uuid4().hex}"
    script = tmp_path / "engine"
    script.write_text(
        f'#!/bin/sh\nsetsid "{sys.executable}" -c "import time; time.sleep(600)" {mark} >/dev/null 2>&1 </dev/null &\n'
        f'exec "{sys.executable}" "{FAKE}" {way}\n'
    )
    script.chmod(0o755)
    with Engine(choose(str(script)), FACTS) as engine:
        engine.evaluate(Query(START, 1000))
        assert running_with(mark)
    assert wait_until_gone(mark) == []


def test_closing_again_and_asking_after_closing() -> None:
    engine = Engine(EngineSpec("fake", (sys.executable, str(FAKE), "good")), FACTS)
    before = set(children())
    for _ in range(3):
        assert engine.evaluate(Query(START, 1000)).best.pv[0] == "e2e4"
        engine.close()
        engine.close()
        assert set(children()) == before


def test_many_restarts_leak_neither_files_nor_threads() -> None:
    import threading

    def one() -> None:
        with Engine(EngineSpec("fake", (sys.executable, "-I", "-S", str(FAKE), "good")), FACTS) as engine:
            engine.evaluate(Query(START, 1000))

    one()
    time.sleep(0.2)
    files, threads = len(list(Path("/proc/self/fd").iterdir())), threading.active_count()
    for _ in range(15):
        one()
    time.sleep(0.2)
    assert len(list(Path("/proc/self/fd").iterdir())) <= files
    assert threading.active_count() <= threads


def asked(spec: EngineSpec, facts: Probe, query: Query) -> tuple[Evaluation, int]:
    with Engine(spec, facts) as engine:
        return engine.evaluate(query), os.getpid()


def test_engines_start_in_joblib_workers(embedded: tuple[EngineSpec, Probe]) -> None:
    spec, facts = embedded
    queries = [Query(epd, 500) for epd in EPDS[:4]]
    there = Parallel(n_jobs=2)(delayed(asked)(spec, facts, query) for query in queries)
    assert [answer for answer, _ in there] == [asked(spec, facts, query)[0] for query in queries]
    assert os.getpid() not in {pid for _, pid in there}


def series(engine: Engine, budget: int, disturb: bool) -> list[Evaluation]:
    """50 answers; disturbed: the engine is killed before each, at a moment that moves through the search."""
    import threading

    def kill(pid: int) -> None:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)

    answers = []
    for number in range(50):
        pid = engine.pid
        timer = None
        if disturb and pid is not None:
            timer = threading.Timer(0.002 * (number % 10), kill, (pid,))
            timer.start()
        answers.append(engine.evaluate(Query(EPDS[number % len(EPDS)], budget + number // len(EPDS))))
        if timer is not None:
            timer.join()
    return answers


@pytest.mark.engine
def test_fifty_kills_change_no_answer(stockfish: tuple[EngineSpec, Probe]) -> None:
    with Engine(*stockfish) as engine:
        undisturbed = series(engine, 4000, disturb=False)
        assert engine.restarts == 0
    with Engine(*stockfish) as engine:
        assert series(engine, 4000, disturb=True) == undisturbed
        assert engine.restarts > 25  # the others were killed between two searches


@needs_proc
def test_a_death_between_two_searches_leaves_the_next_its_second_chance(monkeypatch: pytest.MonkeyPatch) -> None:
    """The process is dead when a search begins, and the new one is killed in its midst."""
    killed: list[int] = []
    with Engine(EngineSpec("fake", (sys.executable, "-I", "-S", str(FAKE), "good")), FACTS) as engine:
        first = engine.evaluate(Query(START, 1000))
        before = engine.pid
        assert before is not None
        os.kill(before, signal.SIGKILL)
        deadline = time.monotonic() + 5
        while "Z" not in Path(f"/proc/{before}/stat").read_text().rpartition(")")[2] and time.monotonic() < deadline:
            time.sleep(0.01)
        monkeypatch.setattr(EngineProcess, "send", deadly_send(lambda: not killed, killed))
        assert engine.evaluate(Query(START, 1000)) == first
        assert len({before, *killed, engine.pid}) == 3
        assert engine.restarts == 2


@pytest.mark.engine
def test_a_suspended_engine_is_replaced(stockfish: tuple[EngineSpec, Probe]) -> None:
    spec, facts = stockfish
    with Engine(spec, facts, patience=0.5) as engine:
        first = engine.evaluate(Query(EPDS[0], 3000))
        pid = engine.pid
        assert pid is not None
        os.kill(pid, signal.SIGSTOP)
        assert engine.evaluate(Query(EPDS[0], 3000)) == first
        assert engine.pid != pid


def test_the_probe_is_kept_and_made_again_when_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TRAPSCAN_STORE", str(tmp_path))
    measured = []

    def measure(spec: EngineSpec, options: object) -> Probe:
        measured.append(spec)
        return FACTS

    monkeypatch.setattr("trapscan.engines.probing.measure", measure)
    spec = EngineSpec("fake", (sys.executable, str(FAKE), "good"))
    assert probe(spec) == probe(spec) == FACTS
    assert len(measured) == 1
    probe(spec, fresh=True)
    assert len(measured) == 2
    (kept,) = (tmp_path / "probes").iterdir()
    kept.write_text("{broken")
    assert probe(spec) == FACTS
    assert len(measured) == 3


def test_a_refusal_is_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A good engine may be refused because it was killed or starved while it was measured; the next run finds out."""
    monkeypatch.setenv("TRAPSCAN_STORE", str(tmp_path))
    answers = [msgspec.structs.replace(FACTS, refused="it reports no nodes"), FACTS]
    monkeypatch.setattr("trapscan.engines.probing.measure", lambda spec, options: answers.pop(0))
    spec = EngineSpec("fake", (sys.executable, str(FAKE), "good"))
    assert probe(spec).refused
    assert probe(spec) == FACTS and not answers
