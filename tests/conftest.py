"""Fixtures shared by all rooms: engines found on this machine, and a private folder for what trapscan keeps."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from trapscan.engines import EngineSpec, Probe, probe
from trapscan.engines.process import EngineProcess
from trapscan.engines.spec import parse

LONGEST = "test_traps_by_engine.py"
"""Begun first, so that the processes of scripts/test end together."""


STARTERS = {"engine_or_skip", "stockfish", "embedded", "browser", "built"}
"""Fixtures that start an engine or a browser, or build and install the package."""

REAL = re.compile(r"/loop\.py|sunfish|/games/")
"""In the command of an engine that is not one of the tests' own scripts."""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--fast",
        action="store_true",
        help="no engine but the tests' own, no browser, no installed wheel, nothing lengthy",
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The longest file comes first. With --fast what starts an engine or a browser stays out: what is marked so, or
    asks for a fixture that does it."""
    items.sort(key=lambda item: item.path.name != LONGEST)
    if config.getoption("--fast"):
        out = [item for item in items if starts_something(item)]
        items[:] = [item for item in items if not starts_something(item)]
        config.hook.pytest_deselected(items=out)


def starts_something(item: pytest.Item) -> bool:
    marks = {mark.name for mark in item.iter_markers()}
    return bool(marks & {"engine", "browser", "lengthy"}) or not STARTERS.isdisjoint(getattr(item, "fixturenames", ()))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Prints what tests recorded as a table (`record_property("table", ...)`), in whichever process they ran."""
    for reports in terminalreporter.stats.values():
        for report in reports:
            for name, text in getattr(report, "user_properties", ()):
                if name == "table" and report.when == "call":
                    terminalreporter.write_line(text)


def find_engine(name: str) -> EngineSpec | None:
    """The engine of that name, or None when it is not installed."""
    if name == "embedded":
        return parse(name)
    path = shutil.which(name, path=os.pathsep.join([os.environ.get("PATH", ""), "/usr/games", "/usr/local/bin"]))
    return parse(path) if path else None


@pytest.fixture(scope="session")
def engine_or_skip() -> Callable[[str], EngineSpec]:
    """A function from an engine's name to the engine; without it the test is skipped. The continuous integration
    installs all that are asked for."""

    def find(name: str) -> EngineSpec:
        spec = find_engine(name)
        if spec is None:
            pytest.skip(f"engine {name} is not installed")
        return spec

    return find


@pytest.fixture(scope="session", autouse=True)
def private_store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Tests neither read nor write what the user's own runs have kept. Probes are shared by all tests of a run, those
    in its other processes too."""
    folder = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        folder = folder.parent
    folder /= "store"
    folder.mkdir(exist_ok=True)
    before = os.environ.get("TRAPSCAN_STORE")
    os.environ["TRAPSCAN_STORE"] = str(folder)
    yield folder
    if before is None:
        del os.environ["TRAPSCAN_STORE"]
    else:
        os.environ["TRAPSCAN_STORE"] = before


@pytest.fixture(autouse=True)
def only_scripted(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """With --fast a test that starts a real engine all the same fails: it lacks the mark `engine`."""
    if not request.config.getoption("--fast"):
        return
    start = EngineProcess.__init__

    def guarded(self: EngineProcess, command: Sequence[str], *words: Any, **options: Any) -> None:
        assert not REAL.search(" ".join(command)), f"this test needs the mark `engine`: it starts {command}"
        start(self, command, *words, **options)

    monkeypatch.setattr(EngineProcess, "__init__", guarded)


@pytest.fixture(scope="session")
def stockfish(engine_or_skip: Callable[[str], EngineSpec]) -> tuple[EngineSpec, Probe]:
    """Stockfish and what was measured; without it the test is skipped."""
    spec = engine_or_skip("stockfish")
    return spec, probe(spec)


@pytest.fixture(scope="session")
def embedded() -> tuple[EngineSpec, Probe]:
    """The engine that comes with trapscan."""
    spec = parse("embedded")
    return spec, probe(spec)
