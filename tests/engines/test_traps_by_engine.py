"""Eight engines on documented traps: the table of `scripts/check_engines`, by the same code, at every run. Two of them
would take longer than all others together, and are put the first eight of the twenty only."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.engines import traps
from trapscan.engines import discover
from trapscan.settings import load

TRAPS = 20

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

FIRST = 8
OF_THE_FIRST = {"toga2": traps.Record(8, 8, 8, luck=1), "sjaakii": traps.Record(8, 5, 5)}

pytestmark = pytest.mark.engine


@pytest.fixture(scope="module")
def rows() -> dict[str, Any]:
    """The table, two engines at once, the slowest (the last) first."""
    specs = [spec for spec in discover() if spec.name in traps.RECORDS][::-1]
    made: dict[str, Any] = {}
    for count, some in (
        (FIRST, [spec for spec in specs if spec.name in OF_THE_FIRST]),
        (TRAPS, [spec for spec in specs if spec.name not in OF_THE_FIRST]),
    ):
        made |= {row.name: row for row in traps.table(some, traps.read_traps(count), load("standard"), jobs=2)}
    return made


@pytest.mark.parametrize("name", ENGINES)
def test_as_many_as_measured(name: str, rows: dict[str, Any], record_property: Callable[[str, object], None]) -> None:
    """Each engine finds, and refutes as the sources do, what it was measured to; see `off_record`. The table stands at
    the end of the tests' output."""
    if name not in rows:
        pytest.skip(f"engine {name} is not installed")
    count, records = (FIRST, OF_THE_FIRST) if name in OF_THE_FIRST else (TRAPS, traps.RECORDS)
    record_property("table", traps.show(rows[name], count, 0))
    assert traps.off_record(rows[name], records) == "", rows[name].missed


def test_stockfish_reaches_its_goal(rows: dict[str, Any]) -> None:
    """Nineteen of the twenty, found and refuted as their sources do; the others' goals are beside their records."""
    if "stockfish" not in rows:
        pytest.skip("engine stockfish is not installed")
    assert rows["stockfish"].right >= traps.RECORDS["stockfish"].goal


def test_a_record_is_held_from_both_sides() -> None:
    """One trap less is a step back, one more is luck, two more and the record is out of date."""
    record = traps.RECORDS["gnuchess"]
    said = [
        traps.off_record(traps.Row("gnuchess", found=record.found + more, right=record.right + more)) != ""
        for more in (-1, 0, 1, 2)
    ]
    assert said == [True, False, False, True]
    assert traps.off_record(traps.Row("gnuchess", error="it died")) == "it died"
