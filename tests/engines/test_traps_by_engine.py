"""Eight engines on documented traps: the part of the table of `scripts/check_engines` that CI has time for."""

from __future__ import annotations

import importlib.machinery
import importlib.util
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

from trapscan.engines import EngineSpec
from trapscan.settings import load

SCRIPT = Path(__file__).parents[2] / "scripts" / "check_engines"

PLAIN = {
    "berlin-nxb5",
    "bird-g3-gxf4",
    "caro-smothered",
    "dragon-ng4",
    "englund-bc3",
    "from-h3",
    "from-nc3",
}
"""Of the first twenty those that every engine judged clearly, and refuted rightly, at 20,000 and at 100,000 nodes alike
(measured), and that the search finds with each: not a sample of what engines find, but what none may lose."""

ENGINES = (
    "stockfish",
    "fairy-stockfish",
    "ethereal-chess",
    "glaurung",
    "toga2",
    "gnuchess",
    "sjaakii",
    "embedded",
)

pytestmark = pytest.mark.engine


@pytest.fixture(scope="module")
def script() -> ModuleType:
    loader = importlib.machinery.SourceFileLoader("check_engines", str(SCRIPT))
    spec = importlib.util.spec_from_loader("check_engines", loader)
    assert spec is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["check_engines"] = module  # dataclasses look their module up
    loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ENGINES)
def test_plain_traps(name: str, script: ModuleType, engine_or_skip: Callable[[str], EngineSpec]) -> None:
    """Found, and refuted as the trap's source does."""
    traps = [trap for trap in script.read_traps(20) if trap.name in PLAIN]
    assert len(traps) == len(PLAIN)
    row = script.check(engine_or_skip(name), traps, load("standard"), None, {})
    assert row.error == ""
    assert (row.missed, row.found, row.right) == ([], len(PLAIN), len(PLAIN))


def test_stockfish_reaches_its_goal(script: ModuleType, engine_or_skip: Callable[[str], EngineSpec]) -> None:
    """Nineteen of the twenty, found and refuted as their sources do."""
    row = script.check(engine_or_skip("stockfish"), script.read_traps(20), load("standard"), None, {})
    assert row.error == "" and row.right >= script.GOALS["stockfish"], row.missed
