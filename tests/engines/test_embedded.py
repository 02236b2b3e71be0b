"""The engine in the box: which one it is, that it starts, answers and ends, and that its shipped facts are true."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
import textwrap
import tomllib
import uuid
from collections.abc import Iterator
from importlib.machinery import EXTENSION_SUFFIXES
from pathlib import Path

import msgspec
import pytest

from tests.engines.processes import needs_proc, running_with, wait_until_gone
from trapscan.engines import Engine, Probe, choose, discover, engine_identity, probe
from trapscan.engines.embedded import Embedded, _pyffish, _sunfish, embedded
from trapscan.engines.loop import SYMBOL
from trapscan.engines.measure import measure
from trapscan.engines.shipped import MEASURED
from trapscan.engines.spec import EMBEDDED, EngineSpec
from trapscan.errors import NoEngineError
from trapscan.model import Query

START = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq -"
PYPROJECT = Path(__file__).parents[2] / "pyproject.toml"

strong = pytest.mark.skipif(_pyffish() is None, reason="pyffish has no build for this system")


def spec_of(box: Embedded | None) -> EngineSpec:
    if box is None:
        pytest.skip("not installed on this system")
    return EngineSpec(EMBEDDED, box.command, options=box.options, box=box)


# --- its facts -------------------------------------------------------------------------------------------------------


@pytest.mark.engine
@pytest.mark.parametrize("package", ["pyffish", "sunfish"])
def test_shipped_facts_are_those_measured(package: str) -> None:
    spec = spec_of({"pyffish": _pyffish, "sunfish": _sunfish}[package]())
    told, measured = probe(spec), measure(spec, {})
    fields = ("name", "limit_kind", "multipv", "searchmoves", "reproducible", "prime", "clear_hash", "scores", "noise")
    # the small one's nodes are coarse, and how coarse hangs on how many trials there was time for
    more = ("renew", "stops", "driven_by") if package == "pyffish" else ()
    for field in (*fields, *more):
        assert getattr(told, field) == getattr(measured, field), field
    assert told.driven_by.go(1) == measured.driven_by.go(1), "the cheapest search"
    assert abs(told.mate_floor - measured.mate_floor) < 3000
    # of the variants only that which is played is shipped
    declared = [
        msgspec.structs.replace(option, choices=("chess",)) if option.name == "UCI_Variant" else option
        for option in measured.options
    ]
    assert list(told.options) == declared


def test_the_small_engine_s_budgets_are_the_same_on_every_machine() -> None:
    facts = MEASURED["sunfish", "2026.1"]
    assert [facts.driven_by.nodes(budget) for budget in (500, 2_000, 5_000, 20_000, 100_000, 200_000)] == [
        4_000,
        4_000,
        4_000,
        9_037,
        24_434,
        37_500,
    ]


def test_the_versions_that_may_be_installed_are_those_that_were_tried() -> None:
    """pyffish's range holds the versions whose loop and facts were tried, and no later one."""
    wanted = tomllib.loads(PYPROJECT.read_text(encoding="utf-8"))["project"]["dependencies"]
    (line,) = [text for text in wanted if text.startswith("pyffish")]
    low, high = re.fullmatch(r"pyffish>=0\.0\.(\d+),<0\.0\.(\d+);.*", line).groups()  # type: ignore[union-attr]
    tried = {version for package, version in MEASURED if package == "pyffish"}
    assert {f"0.0.{number}" for number in range(int(low), int(high))} == tried


@strong
def test_the_strong_one_can_be_watched_and_takes_every_budget_in_full() -> None:
    facts = probe(choose("embedded"))
    assert facts.watchable and facts.multiline and facts.reproducible
    assert [facts.limit(budget)[0] for budget in (4_000, 120_000)] == ["nodes 4000", "nodes 120000"]


# --- its life --------------------------------------------------------------------------------------------------------


def start() -> subprocess.Popen[str]:
    return subprocess.Popen(embedded().command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


@pytest.mark.engine
@strong
@pytest.mark.parametrize("ending", ["quit\n", "", "go infinite\nquit\n", "go infinite\n"])
def test_the_loop_starts_and_ends(ending: str) -> None:
    """With `quit` and with the end of its input, at rest and in the midst of a search."""
    process = start()
    said, _ = process.communicate("uci\nisready\n" + ending, timeout=30)
    assert process.returncode == 0
    lines = said.splitlines()
    assert lines[0].startswith("id name Fairy-Stockfish") and "uciok" in lines and "readyok" in lines


@pytest.mark.engine
@strong
def test_it_plays_chess_without_a_network(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever lies about in the current folder."""
    (tmp_path / "pyffish").mkdir()
    (tmp_path / "pyffish" / "__init__.py").write_text("raise SystemExit('wrong one')")
    (tmp_path / "ctypes.py").write_text("raise SystemExit('wrong one')")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with start() as process:
        assert process.stdin is not None and process.stdout is not None
        process.stdin.write("setoption name Use NNUE value false\nposition startpos\ngo nodes 2000\n")
        process.stdin.flush()
        said: list[str] = []
        while not (said and said[-1].startswith("bestmove")):
            said.append(process.stdout.readline())
            assert said[-1]
        process.stdin.write("quit\n")
    assert any("classical evaluation enabled" in line for line in said)
    with Engine(choose("embedded"), probe(choose("embedded"))) as engine:
        answer = engine.evaluate(Query(START, 4_000))
        assert answer.best.pv[0] in ("e2e4", "d2d4", "g1f3", "c2c4") and 0 < answer.best.score.plain < 100


OWNER = textwrap.dedent("""
    import sys, threading
    from trapscan.engines import Engine, EngineSpec, Probe
    from trapscan.model import Query
    spec = EngineSpec("box", tuple(sys.argv[2:]))
    engine = Engine(spec, Probe(name="x", nps=100_000), patience=600)
    threading.Timer(1.0, lambda: print("searching", flush=True)).start()
    engine.evaluate(Query(sys.argv[1], 10_000_000_000))
""")


@pytest.mark.engine
@strong
@needs_proc
def test_a_killed_owner_leaves_nothing(tmp_path: Path) -> None:
    library = tmp_path / f"{uuid.uuid4().hex}{EXTENSION_SUFFIXES[0]}"
    shutil.copy(embedded().files[0], library)
    command = [*embedded().command[:-1], str(library)]
    owner = subprocess.Popen([sys.executable, "-c", OWNER, START, *command], stdout=subprocess.PIPE)
    assert owner.stdout is not None
    try:
        assert owner.stdout.readline() == b"searching\n"
        assert len(running_with(library.name)) == 2
        owner.send_signal(signal.SIGKILL)
        owner.wait(10)
        assert wait_until_gone(library.name) == []
    finally:
        owner.kill()
        owner.wait()
        owner.stdout.close()


# --- which one -------------------------------------------------------------------------------------------------------


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A place that is looked through instead of the installed packages."""
    stdlib = os.path.dirname(os.__file__)  # noqa: PTH120
    monkeypatch.setattr(
        sys, "path", [str(tmp_path), *(p for p in sys.path if p.startswith(stdlib) and "-pack" not in p)]
    )
    embedded.cache_clear()
    yield tmp_path
    embedded.cache_clear()


def put_pyffish(folder: Path, data: bytes) -> None:
    (folder / "pyffish").mkdir()
    (folder / "pyffish" / "__init__.py").write_text("")
    (folder / "pyffish" / f"_pyffish{EXTENSION_SUFFIXES[0]}").write_bytes(data)


def put_sunfish(folder: Path) -> None:
    for name in ("sunfish.py", "sunfish_ui/__init__.py", "sunfish_ui/uci.py"):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text("")


def test_where_the_loop_is_missing_it_is_the_small_one(elsewhere: Path) -> None:
    """As in the Windows build of pyffish, which tells nothing but its start as a module."""
    put_sunfish(elsewhere)
    put_pyffish(elsewhere, b"PyInit__pyffish\0" + SYMBOL.encode() + b"s\0")
    assert embedded().small and "sunfish" in embedded().words and "Stockfish" in embedded().words
    assert choose("embedded").command[-1] == "sunfish"


def test_where_the_package_is_missing_it_is_the_small_one(elsewhere: Path) -> None:
    put_sunfish(elsewhere)
    assert embedded().small


def test_where_the_loop_is_there_it_is_the_strong_one(elsewhere: Path) -> None:
    put_sunfish(elsewhere)
    put_pyffish(elsewhere, b"\0" + SYMBOL.encode() + b"\0")
    assert not embedded().small and "Fairy-Stockfish" in embedded().words and "sunfish" not in embedded().words


def test_where_there_is_none_it_is_said(elsewhere: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(NoEngineError, match="pip install pyffish"):
        choose("embedded")
    monkeypatch.setenv("PATH", str(elsewhere))
    monkeypatch.setenv("HOME", str(elsewhere))
    monkeypatch.delenv("TRAPSCAN_ENGINE", raising=False)
    monkeypatch.setattr("trapscan.engines.spec._PLACES_POSIX", ())
    assert discover() == []
    with pytest.raises(NoEngineError, match="--engine"):
        choose()


def test_the_bytes_of_the_library_tell_it_apart_and_not_its_place(tmp_path: Path) -> None:
    facts = Probe(name="x", nps=100_000)
    made = []
    for name, data in (("a", b"one"), ("b", b"one"), ("c", b"two")):
        library = tmp_path / name / "_pyffish.so"
        library.parent.mkdir()
        library.write_bytes(data)
        box = Embedded("pyffish", "0.0.90", ("python", str(library)), (str(library),))
        made.append(engine_identity(EngineSpec(EMBEDDED, box.command, box=box), facts, 16))
    assert made[0] == made[1] != made[2]
