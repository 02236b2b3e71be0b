"""A short run of scripts/run hostile: nothing of what should never come; and what it would see if it came."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from pathlib import Path

import pytest

from tests.hostility import running
from tests.hostility.cases import CLASSES, Case

ROOT = Path(__file__).parent.parent.parent

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="reads /proc, limits memory")


def test_a_short_run(engine_or_skip: object, tmp_path: Path) -> None:
    engine_or_skip("stockfish")  # type: ignore[operator]
    ended = subprocess.run(
        [sys.executable, "-m", "scripts.lab.faults.hostile", "--cases", "40", "--seed", "3"],
        cwd=ROOT,
        env={**os.environ, "TMPDIR": str(tmp_path)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert ended.stdout.splitlines()[-2].split() == ["all", "40", "0", "0", "0", "0", "0"]


@pytest.mark.parametrize(
    ("body", "fault"),
    [
        ("raise ValueError", "traceback"),
        ("return 4", "traceback"),
        ("return 3", "exit code"),
        ("import time; time.sleep(60)", "hang"),
        ("open('stray', 'w').close(); return 0", "stray file"),
        ("open('.x.1.tmp', 'w').close(); return 0", "stray file"),
        ("import subprocess; subprocess.Popen(['sleep', '5']); return 0", "left process"),
    ],
)
def test_it_sees_what_should_never_come(body: str, fault: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    space: dict[str, object] = {}
    exec(f"def main(words):\n    {body}", space)
    monkeypatch.setattr(running, "main", space["main"])
    monkeypatch.setattr(running, "HANG_SECONDS", 1)
    monkeypatch.setattr(running, "CLASSES", {"one": (lambda rng: Case(["x"], {0}), 1)})
    (tmp_path / "base").mkdir()
    (tmp_path / "base/ok.pgn").touch()
    monkeypatch.chdir(tmp_path)
    told = running.run(tmp_path, 1, 1)
    assert told is not None and told[1] == [fault]


def test_every_class_makes_cases(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "case").mkdir()
    (tmp_path / "base/out").mkdir(parents=True)
    (tmp_path / "base/out/scan.json").write_text('{"a": [1]}')
    (tmp_path / "base/store").write_bytes(bytes(100))
    monkeypatch.chdir(tmp_path / "case")
    for make, _ in CLASSES.values():
        made = [make(random.Random(number)) for number in range(20)]
        assert all(case.words and case.codes for case in made)
