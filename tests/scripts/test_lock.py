"""The lock file: every dependency that pyproject.toml names is pinned with hashes, and no host of a registry stands in
it, so that it serves whatever registry pip is told to ask."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent


def plain(name: str) -> str:
    """As the Python packaging standard compares names (PEP 503)."""
    return re.sub(r"[-_.]+", "-", name).lower()


def test_every_dependency_is_pinned() -> None:
    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    wanted = [*project["dependencies"], *extras["test"], *extras["cluster"]]
    names = {plain(re.split(r"[\s\[<>=!~;]", each)[0]) for each in wanted}
    pinned = re.findall(r"^([\w.-]+)==[^\n]*\\\n +--hash=sha256:", lock, re.M)
    there = {plain(name) for name in pinned}
    assert names <= there, names - there
    assert len(re.findall(r"^[\w.-]+==", lock, re.M)) == len(pinned), "one without a hash"
    assert not re.search(r"https?:|--index|--find-links|file:", lock)
