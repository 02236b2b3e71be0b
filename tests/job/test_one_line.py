"""An engine that gives several lines but cannot be restricted to moves (Ethereal 12): it is asked for one line only."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest

from trapscan.engines import Probe
from trapscan.job import scan

ENGINE = Path(__file__).parent.parent / "engines" / "material_uci.py"


@pytest.mark.parametrize("searchmoves", [False, True])
def test_slips_are_found_without_problems(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, searchmoves: bool) -> None:
    """Further refutations are looked for by other means; this once failed in each position that held a slip."""
    facts = Probe(name="Material 1.0", nps=1_000_000, multipv=True, searchmoves=searchmoves)
    monkeypatch.setattr("trapscan.engines.probe", lambda spec, **_: facts)
    file = tmp_path / "lines.pgn"
    file.write_text("1. e4 e5 2. Nf3 Nc6 3. Bc4 Nd4 4. Nxe5 Qg5 5. Nxf7 Qxg2 *\n")
    small: dict[str, Any] = {
        "budgets": [{"chance": 0.0, "least": 200, "most": 200}],
        "best_nodes": 300,
        "confirm_nodes": 200,
        "max_candidates": 4,
        "levels": [1500],
    }
    report = scan(
        [file],
        side="both",
        engine=f"{sys.executable} {ENGINE}",
        jobs=1,
        store=tmp_path / "store.db",
        beyond=0,
        settings=small,
    ).scan
    assert report.problems == () and len(report.findings) > 2
