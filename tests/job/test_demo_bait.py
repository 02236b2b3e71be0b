"""The demo's question about a bait, as scripts/demo asks it, by the engine in the box and by Stockfish."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import trapscan
from trapscan import report
from trapscan.engines import EngineSpec
from trapscan.job import scan
from trapscan.report import terminal_summary

DEMO = Path(trapscan.__file__).parent / "demo"


@pytest.mark.parametrize("name", ["embedded", "stockfish"])
def test_a_bait_that_costs_a_little_and_brings_much(
    name: str, engine_or_skip: Callable[[str], EngineSpec], tmp_path: Path
) -> None:
    """After 1.e4 c6 2.d4 d5 3.Nc3 dxe4 4.Nxe4 Nd7 the club plays 5.Nf3. 5.Qe2 stands in its own bishop's way, and
    5...Ngf6 allows the smothered mate on d6 (a known trap; open_set.jsonl holds it with its sources)."""
    box = engine_or_skip(name).box
    if box is not None and box.small:
        pytest.skip("the small engine errs")
    found = scan(
        [DEMO / "otter_quay_bait.pgn"],
        preset="quick",
        side="white",
        level=1200,
        baits=True,
        beyond=0,
        engine=name,
        jobs=1,
        store=tmp_path / "store.db",
        settings={"verify_nodes": 0},  # the long look at all else that is found takes most of the time
    ).scan
    (bait,) = [f for f in found.baits if f.bait.san == "Qe2"]
    details = bait.bait_details
    by_level = dict(zip(found.levels, details.net, strict=True))
    assert details.firm and by_level[1200] >= 0.02
    replies = {reply.slip.san: (reply.refutation.san, reply.gain) for reply in bait.replies}
    assert replies["Ngf6"] == ("Nd6#", "mate")
    report.write_scan(found, tmp_path)
    report.write_reports(found, tmp_path)
    for file in ("report.md", "report.html", "cards.txt"):
        text = (tmp_path / file).read_text(encoding="utf-8")
        for level in (1200, 2200):
            assert f"{round(100 * by_level[level], 1) + 0.0:+.1f} at {level}" in text, file  # never -0.0
        assert "If they do not fall for it:" in text, file
    assert "5.Qe2?! sets " in terminal_summary(found)
