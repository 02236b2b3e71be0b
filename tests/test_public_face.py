"""What a user of the library sees: every public name is there, has a type, and costs nothing until it is used."""

from __future__ import annotations

import inspect
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import pytest
from mypy import api

import trapscan
from trapscan.contract import Finding, Scan
from trapscan.request import ScanRequest

HEAVY = {"chess", "numpy", "onnxruntime", "joblib", "jinja2", "msgspec", "tqdm", "sqlite3", "multiprocessing"}

SNIPPET = """
import trapscan

result = trapscan.scan(["black.pgn"], side="black", level=1400, settings={"threshold": 0.15}, jobs=1)
report: trapscan.Scan = result.scan
again: trapscan.Scan = trapscan.read_scan("reports/black")
first: trapscan.Finding = again.findings[0]
for slip in again.slips:
    print(slip.slip.san, slip.refutation)
print(first.line, first.toll, first.cp_best, result.stats.searched_nodes, result.stats.positions.done, again.settings)
request = trapscan.ScanRequest("black.pgn", beyond=0)
try:
    trapscan.run_scan(request)
except trapscan.TrapscanError as exc:
    print(exc.exit_code)
"""


@pytest.mark.parametrize("name", trapscan.__all__)
def test_every_public_name_is_there(name: str) -> None:
    found = getattr(trapscan, name)
    assert name in dir(trapscan)
    assert found == Finding if name == "Finding" else found.__name__ == name


def test_there_is_no_other() -> None:
    with pytest.raises(AttributeError, match="no attribute 'juggle'"):
        trapscan.juggle  # type: ignore[attr-defined]  # noqa: B018
    assert trapscan.Scan is Scan and trapscan.Finding is Finding


def test_the_options_of_a_scan_are_the_fields_of_a_request() -> None:
    """Declared once: the names, their order and their defaults."""
    declared = inspect.signature(ScanRequest).parameters
    assert inspect.signature(trapscan.scan).parameters == declared
    assert list(declared) == [field.name for field in fields(ScanRequest)]


def typed(code: str, folder: Path, *flags: str) -> tuple[str, int]:
    file = folder / "snippet.py"
    file.write_text(code)
    told, _, status = api.run([str(file), "--strict", "--no-error-summary", "--hide-error-context", *flags])
    return told, status


def test_a_user_sees_types_and_no_any(tmp_path: Path) -> None:
    """mypy as a user runs it; `--disallow-any-expr` refuses every expression whose type is, or holds, Any."""
    assert typed(SNIPPET, tmp_path, "--disallow-any-expr") == ("", 0)


@pytest.mark.parametrize("wrong", ["side=1", 'level="high"', "juggle=3", "jobs=1.5", "settings={1: 2}"])
def test_a_wrong_option_is_seen_before_it_runs(wrong: str, tmp_path: Path) -> None:
    told, status = typed(f'import trapscan\ntrapscan.scan(["black.pgn"], {wrong})\n', tmp_path)
    assert (status == 1 and wrong.partition("=")[0].strip() in told) or "dict-item" in told


def imported(*words: str) -> set[str]:
    """The modules that a command of its own process has imported at its end."""
    code = (
        f"import atexit, sys; atexit.register(lambda: print(*sys.modules, file=sys.stderr)); sys.argv = {list(words)}\n"
    )
    code += "from trapscan.cli import main; sys.exit(main())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "trapscan" in done.stdout
    return set(done.stderr.split())


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["scan", "--help"], ["estimate", "--help"]])
def test_help_needs_neither_board_nor_model(words: list[str]) -> None:
    modules = imported("trapscan", *words)
    assert "argparse" in modules
    assert not modules & HEAVY


def test_importing_trapscan_costs_nothing() -> None:
    code = "import sys, trapscan; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert not set(done.stdout.split()) & (HEAVY | {"argparse", "dataclasses", "inspect"})
