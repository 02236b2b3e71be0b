"""compare_scans: what it must see, and what it may let pass."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.report.sample_scans import trap_scan
from trapscan.contract import encode_scan

ROOT = Path(__file__).resolve().parents[2]
SCRIPT = "scripts.lab.report.compare_scans"


@pytest.fixture
def scans(tmp_path: Path) -> tuple[dict[str, Any], dict[str, Any]]:
    """The trap scan as it was written by scan/1, where each finding had the fields of both records, and as it is."""
    new = json.loads(encode_scan(trap_scan()))
    old = json.loads(encode_scan(trap_scan()))
    old["schema"] = "trapscan.scan/1"
    others: dict[str, Any] = {"bait": None, "replies": [], "bait_details": None}
    for finding in old["findings"]:
        del finding["record"]
        finding |= others if "slip" in finding else {"slip": None}
    return old, new


def run(folder: Path, old: Any, new: Any, *options: str) -> tuple[int, str]:
    for name, value in (("old.json", old), ("new.json", new)):
        (folder / name).write_text(json.dumps(value), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", SCRIPT, folder / "old.json", folder / "new.json", *options],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.stderr == ""
    return done.returncode, done.stdout


def test_the_same_findings_in_two_schemas(scans: tuple[dict[str, Any], dict[str, Any]], tmp_path: Path) -> None:
    code, text = run(tmp_path, *scans)
    assert code == 0, text
    assert "findings in both: 40" in text and "differing: 0" in text and "{'record': 40}" in text
    assert "their order is the same" in text


@pytest.mark.parametrize("spoil", ["field", "lost field", "finding", "order", "top"])
def test_it_sees_what_differs(scans: tuple[dict[str, Any], dict[str, Any]], tmp_path: Path, spoil: str) -> None:
    old, new = scans
    if spoil == "field":
        new["findings"][3]["toll"][0] += 1e-6
    elif spoil == "lost field":
        del new["findings"][3]["motifs"]
    elif spoil == "finding":
        del new["findings"][3]
    elif spoil == "order":
        new["findings"][3:5] = new["findings"][4:2:-1]
    else:
        new["counters"]["searches"] += 1
    code, text = run(tmp_path, old, new)
    assert code == 1, text
    if spoil == "field":
        assert "toll 1 times" in text
        assert run(tmp_path, old, new, "--ignore", "toll")[0] == 0
