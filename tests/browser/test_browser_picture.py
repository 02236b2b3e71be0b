"""The README's picture: made from a scan of the demo, as scripts/picture makes the one that is kept."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import pytest

import trapscan
from tests.browser.picture import SIZE, picture
from trapscan.engines import EngineSpec, Probe
from trapscan.report import write_reports

pytestmark = [pytest.mark.browser, pytest.mark.engine]

ROOT = Path(__file__).resolve().parent.parent.parent
DEMO = Path(trapscan.__file__).parent / "demo" / "otter_quay_white.pgn"
KEPT = ROOT / "docs" / "report.png"
LARGEST = 300_000
SMALL: dict[str, Any] = {
    "budgets": [{"chance": 0.0, "least": 500, "most": 1000}], "confirm_nodes": 1000, "best_nodes": 2000, "beyond": 0,
    "min_prior": 0.1, "max_candidates": 3, "threshold": 0.2, "level": 1400, "verify_nodes": 0,
}  # fmt: skip


def png_size(data: bytes) -> tuple[int, int]:
    """Width and height (PNG specification, 5.2 and 11.2.2)."""
    assert data[:8] == b"\x89PNG\r\n\x1a\n" and data[12:16] == b"IHDR"
    width, height = struct.unpack(">II", data[16:24])
    return width, height


def test_it_is_made_from_the_demo(browser: Any, stockfish: tuple[EngineSpec, Probe], tmp_path: Path) -> None:
    result = trapscan.scan(
        [DEMO],
        side="white",
        engine=stockfish[0].command[0],
        preset="quick",
        jobs=1,
        store=tmp_path / "store.db",
        settings=SMALL,
    )
    tricks = [finding for finding in result.scan.findings if finding.kind == "trick"]
    assert len(tricks) > 5, "the demo has something to show"
    page = write_reports(result.scan, tmp_path)[0]
    out = tmp_path / "a" / "report.png"
    picture(browser, page, out)
    data = out.read_bytes()
    assert png_size(data) == (SIZE["width"], SIZE["height"])
    assert 40_000 < len(data) < LARGEST, "a page that is blank would be far smaller"


def test_the_one_that_is_kept() -> None:
    data = KEPT.read_bytes()
    assert png_size(data) == (SIZE["width"], SIZE["height"]) and len(data) < LARGEST
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert f"]({KEPT.relative_to(ROOT).as_posix()})" in readme[:2000], "the README opens with it"
