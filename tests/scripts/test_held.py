"""Every Python file is held to ruff and mypy: a script without an ending has to be named in pyproject.toml."""

from __future__ import annotations

import tomllib
from fnmatch import fnmatch
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_all_python_is_checked() -> None:
    tool = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    typed, unstyled = tool["mypy"]["files"], tool["ruff"]["extend-exclude"]
    python = []
    for path in sorted((ROOT / "scripts").iterdir()):
        if path.is_dir():
            is_python = any(path.glob("*.py"))
        else:
            is_python = path.read_bytes().startswith(b"#!/usr/bin/env python3")
        if is_python:
            python.append(f"scripts/{path.name}")
    assert len(python) > 25
    assert [name for name in python if not any(fnmatch(name, pattern) for pattern in typed)] == []
    assert set(unstyled).isdisjoint(python)
    assert {"trapscan", "tests"} <= set(typed)
