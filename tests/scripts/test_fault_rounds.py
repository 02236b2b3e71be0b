"""A short version of `fault_rounds`, seeded: one round of each quick kind on a repertoire of a few moves."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent
KINDS = (
    *("kill scan", "kill worker", "kill engine", "kill everything", "cut store", "store of another version"),
    *("foreign store", "read-only report", "two at once", "clock jumps"),
)


@pytest.mark.lengthy
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks at processes in /proc")
def test_ten_rounds(tmp_path: Path) -> None:
    """Each ends with the bytes of the undisturbed run, or with one clear line; nothing is left behind."""
    file = tmp_path / "lines.pgn"
    file.write_text("1. e4 e5 2. Nf3 Nc6 3. Bc4 Nd4 4. Nxe5 Qg5 5. Nxf7 Qxg2 *\n")
    only = [word for kind in KINDS for word in ("--only", kind)]
    command = [
        sys.executable,
        "-m",
        "scripts.lab.faults.fault_rounds",
        "--rounds",
        "10",
        "--seed",
        "3",
        "--file",
        str(file),
    ]
    done = subprocess.run([*command, *only, "--at-once", "2"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.splitlines()[-1].startswith("10 rounds"), done.stdout
    assert ", 0 failed" in done.stdout.splitlines()[-1]
