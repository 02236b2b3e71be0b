"""The two commands of the README set up from lock files that are there."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent


@pytest.mark.parametrize("script", ["demo", "test"])
def test_a_script_names_a_lock_file_with_hashes(script: str) -> None:
    named = re.findall(r"^set_up (\S+)", (ROOT / "scripts" / script).read_text(encoding="utf-8"), re.MULTILINE)
    assert len(named) == 1
    lines = (ROOT / named[0]).read_text(encoding="utf-8").splitlines()
    pinned = [line for line in lines if re.match(r"[A-Za-z0-9]", line)]
    assert pinned and all("==" in line for line in pinned)
    assert sum("--hash=sha256:" in line for line in lines) >= len(pinned)
    assert not any("://" in line for line in lines), "no index is named: that is the machine's own affair"
