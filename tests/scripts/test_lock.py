"""The lock files: every dependency that pyproject.toml names is pinned with hashes, and no host of a registry stands in
them, so that they serve whatever registry pip is told to ask. scripts/setup.bash installs from them."""

from __future__ import annotations

import os
import re
import subprocess
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent.parent


def plain(name: str) -> str:
    """As the Python packaging standard compares names (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def pins(name: str) -> set[str]:
    """The lines that pin a version."""
    return set(re.findall(r"^[\w.-]+==[^\n]*(?= \\\n)", (ROOT / name).read_text(encoding="utf-8"), re.M))


@pytest.mark.parametrize(
    ("name", "extras"), [("requirements.lock", ("test", "cluster")), ("requirements-run.lock", ())]
)
def test_every_dependency_is_pinned(name: str, extras: tuple[str, ...]) -> None:
    lock = (ROOT / name).read_text(encoding="utf-8")
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *(each for extra in extras for each in project["optional-dependencies"][extra])]
    names = {plain(re.split(r"[\s\[<>=!~;]", each)[0]) for each in wanted}
    pinned = re.findall(r"^([\w.-]+)==[^\n]*\\\n +--hash=sha256:", lock, re.M)
    there = {plain(name) for name in pinned}
    assert names <= there, names - there
    assert len(re.findall(r"^[\w.-]+==", lock, re.M)) == len(pinned), "one without a hash"
    assert not re.search(r"https?:|--index|--find-links|file:", lock)


def test_the_two_commands_of_the_readme_install_from_them() -> None:
    named = {
        script: re.findall(r"^set_up (\S*)", (ROOT / "scripts" / script).read_text(encoding="utf-8"), re.M)
        for script in ("demo", "test")
    }
    assert named == {"demo": ["requirements-run.lock"], "test": ["requirements.lock"]}


def test_both_pin_the_same_versions() -> None:
    assert pins("requirements-run.lock") <= pins("requirements.lock")


@pytest.mark.parametrize(
    ("works", "asked"), [(True, ["--require-hashes", "--no-deps"]), (False, ["--require-hashes", "-e"])]
)
def test_setup_takes_the_lock_and_says_so_when_it_cannot(works: bool, asked: list[str], tmp_path: Path) -> None:
    """A stand-in for Python writes down what pip is asked, and fails at the lock when told to."""
    fake = tmp_path / "bin" / "python"
    fake.parent.mkdir()
    fake.write_text(
        f'#!/bin/sh\necho "$@" >> {tmp_path}/asked\ncase "$*" in *--require-hashes*) exit {0 if works else 1};; esac\n'
    )
    fake.chmod(0o755)
    script = f'set -e; source "{ROOT}/scripts/setup.bash"; set_up requirements.lock test,cluster'
    environment = {**os.environ, "TRAPSCAN_VENV": str(tmp_path)}
    done = subprocess.run(["bash", "-c", script], env=environment, capture_output=True, text=True, check=True)
    lines = (tmp_path / "asked").read_text().splitlines()
    assert [word in line for word, line in zip(asked, lines, strict=True)] == [True, True], lines
    assert ("NOTICE" in done.stderr) is not works
    assert lines[-1].endswith(str(ROOT) if works else f"{ROOT}[test,cluster]")
