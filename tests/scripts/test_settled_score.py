"""The judge of reports takes no bound for a score (UCI: "the score is just a lower bound", "an upper bound")."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import chess
import chess.engine
import pytest

from tests.independent.scores import settled_score

FAKE = Path(__file__).parent.parent / "engines" / "fake_uci.py"


@contextmanager
def played(scenario: str) -> Iterator[chess.engine.SimpleEngine]:
    engine = chess.engine.SimpleEngine.popen_uci([sys.executable, "-I", "-S", str(FAKE), scenario])
    try:
        yield engine
    finally:
        engine.quit()


@pytest.mark.parametrize("scenario", ["good", "bound-after-exact", "bound-flag-early"])
def test_the_last_score_counts_whatever_bound_comes_after_it(scenario: str) -> None:
    with played(scenario) as engine:
        score, line = settled_score(engine, chess.Board(), chess.engine.Limit(nodes=1000))
    assert score.white() == chess.engine.Cp(31)
    assert [move.uci() for move in line] == ["e2e4", "e7e5", "g1f3"]


def test_where_there_are_only_bounds_the_last_one_must_do() -> None:
    with played("only-lower-bounds") as engine:
        score, _ = settled_score(engine, chess.Board(), chess.engine.Limit(nodes=1000))
    assert score.white() == chess.engine.Cp(31)
