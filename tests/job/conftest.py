"""One small scan, undisturbed, that many tests compare theirs with."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.job.small_scans import LINES, Spied, spied
from trapscan.engines import EngineSpec, Probe


@pytest.fixture(scope="session")
def lines(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("lines") / "small.pgn"
    file.write_text(LINES)
    return file


@pytest.fixture(scope="session")
def first(stockfish: tuple[EngineSpec, Probe], lines: Path, tmp_path_factory: pytest.TempPathFactory) -> Spied:
    """The undisturbed run with one worker and a store of its own."""
    return spied(lines, tmp_path_factory.mktemp("first") / "store.db", stockfish[0])
