"""All Python in scripts can be seen by ruff and mypy, and is found without a path being put in by hand."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SCRIPTS = sorted((ROOT / "scripts").rglob("*.py"))


def test_all_python_is_checked() -> None:
    tool = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    assert {"trapscan", "tests", "scripts"} <= set(tool["mypy"]["files"])
    assert "exclude" not in tool["ruff"] and "extend-exclude" not in tool["ruff"]
    assert len(SCRIPTS) > 40
    others = [path for path in (ROOT / "scripts").rglob("*") if path.is_file() and path.suffix not in (".py", ".pyc")]
    assert [path.name for path in others if b"python" in path.read_bytes().partition(b"\n")[0]] == []


def test_no_script_changes_the_path_and_no_test_loads_one() -> None:
    paths = [path.name for path in SCRIPTS if "sys.path" in path.read_text(encoding="utf-8")]
    assert paths == []
    tests = [path for path in (ROOT / "tests").rglob("*.py") if path != Path(__file__)]
    loads = re.compile(r"^\s*(from|import) scripts|SourceFileLoader", re.MULTILINE)
    assert [path.name for path in tests if loads.search(path.read_text(encoding="utf-8"))] == []


def test_names_are_unlike() -> None:
    """`scripts/run NAME` finds one."""
    runs = [path.stem for path in SCRIPTS if "__main__" in path.read_text(encoding="utf-8")]
    assert len(runs) == len(set(runs))


@pytest.mark.parametrize("command", [["scripts/run", "check_report"], ["scripts/check_report"]])
def test_a_script_runs_by_its_name_from_anywhere(command: list[str], tmp_path: Path) -> None:
    program = [str(ROOT / command[0]), *command[1:], "--help"]
    done = subprocess.run(
        program,
        cwd=tmp_path,
        env={**os.environ, "TRAPSCAN_VENV": sys.prefix},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0 and "scan.json" in done.stdout, done.stderr
