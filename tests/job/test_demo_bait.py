"""The demo's question about a bait, as scripts/demo asks it, with the embedded engine."""

from __future__ import annotations

from pathlib import Path

import pytest

import trapscan
from trapscan import report
from trapscan.job import scan
from trapscan.report import terminal_summary

DEMO = Path(trapscan.__file__).parent / "demo"


@pytest.mark.engine
@pytest.mark.slow
def test_a_bait_that_pays_at_1200_and_not_at_2200(tmp_path: Path) -> None:
    """After 1.e4 c5 2.Nf3 d6 3.c3 Nf6 the club plays 4.Qc2. 4.Be2 leaves the e-pawn, and 4...Nxe4 loses the knight to
    5.Qa4+ (a known trap; open_set.jsonl holds it)."""
    found = scan(
        [DEMO / "otter_quay_bait.pgn"],
        preset=str(DEMO / "demo.toml"),
        side="white",
        level=1200,
        baits=True,
        engine="embedded",
        jobs=1,
        store=tmp_path / "store.db",
    ).scan
    (bait,) = [f for f in found.baits if f.bait.san == "Be2"]
    details = bait.bait_details
    assert details.firm
    by_level = dict(zip(found.levels, details.net, strict=True))
    assert by_level[1200] >= 0.02 and by_level[2200] <= 0
    assert details.pays_below is not None and details.pays_below <= 2200
    (reply,) = bait.replies
    assert (reply.slip.san, reply.refutation.san, reply.gain) == ("Nxe4", "Qa4+", "piece")
    report.write_scan(found, tmp_path)
    report.write_reports(found, tmp_path)
    for name in ("report.md", "report.html", "cards.txt"):
        text = (tmp_path / name).read_text(encoding="utf-8")
        assert f"From {details.pays_below} on it no longer pays." in text, name
        for level in (1200, 2200):
            assert f"{round(100 * by_level[level], 1) + 0.0:+.1f} at {level}" in text, name  # never -0.0
        assert "If they do not fall for it:" in text, name
    assert "4.Be2?! sets 1 trick" in terminal_summary(found)
