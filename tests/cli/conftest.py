"""A place to work in, and the options of a small scan."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from trapscan.engines import EngineSpec, Probe

TINY = ["budgets=[{chance=0, least=1000, most=2000}]", "best_nodes=1000", "confirm_nodes=2000", "max_candidates=3"]


@pytest.fixture
def workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An empty current folder."""
    folder = tmp_path / "work"
    folder.mkdir()
    monkeypatch.chdir(folder)
    monkeypatch.delenv("TRAPSCAN_ENGINE", raising=False)
    handler = signal.getsignal(signal.SIGTERM)
    yield folder
    assert signal.getsignal(signal.SIGTERM) is handler, "the command leaves signals as they were"


@pytest.fixture(scope="package")
def options(stockfish: tuple[EngineSpec, Probe], tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """A small scan with an engine, and a store for all tests of this module."""
    store = tmp_path_factory.mktemp("cli") / "store.db"
    settings = [text for value in TINY for text in ("--set", value)]
    return ["--engine", stockfish[0].command[0], "--jobs", "1", "--beyond", "0", "--store", str(store), *settings]
