"""Nothing from outside is executed: read off the source itself, so that no new line of code can bring it in unseen."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import trapscan

PACKAGE = Path(trapscan.__file__).parent
FOREIGN = {"pickle", "cloudpickle", "dill", "marshal", "shelve", "ctypes", "runpy", "code", "codeop"}
"""Modules that run what they read. joblib and Dask move tasks by pickle between a scan's own processes."""
SHELLS = {"system", "popen", "getoutput", "getstatusoutput", "create_subprocess_shell"}
NETWORK = {"socket", "ssl", "http", "urllib", "requests", "ftplib", "smtplib", "asyncio"}


def told(source: str) -> Iterator[str]:
    """What a piece of source does that it must not."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import | ast.ImportFrom):
            named = [node.module or ""] if isinstance(node, ast.ImportFrom) else [alias.name for alias in node.names]
            roots = {name.partition(".")[0] for name in named}
            yield from (f"imports {root}" for root in sorted(roots & (FOREIGN | NETWORK)))
        elif isinstance(node, ast.Call):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in SHELLS or (called in {"eval", "exec", "__import__"} and isinstance(node.func, ast.Name)):
                yield f"calls {called}"
            for keyword in node.keywords:
                if keyword.arg == "shell":
                    yield "asks for a shell"


@pytest.mark.parametrize(
    "source",
    [
        "import pickle",
        "from urllib.request import urlopen",
        "import subprocess\nsubprocess.run('ls', shell=True)",
        "import os\nos.system('ls')",
        "eval('1')",
    ],
)
def test_each_would_be_seen(source: str) -> None:
    assert list(told(source))


def test_no_shell_no_pickle_no_network() -> None:
    files = sorted(PACKAGE.rglob("*.py"))
    assert len(files) > 80
    found = {path.relative_to(PACKAGE).as_posix(): list(told(path.read_text(encoding="utf-8"))) for path in files}
    assert {name: what for name, what in found.items() if what} == {
        "job/cluster.py": ["imports asyncio"],
        # each for one call of the C library that Python does not offer
        "engines/clock.py": ["imports ctypes"],
        "engines/fixed_addresses.py": ["imports ctypes"],
        "engines/loop.py": ["imports ctypes"],  # the engine in the box, in a process of its own
    }


@pytest.mark.parametrize(("module", "call"), [("fixed_addresses", "personality"), ("clock", "clock_getcpuclockid")])
def test_nothing_is_loaded_by_ctypes(module: str, call: str) -> None:
    """ctypes may ask the C library that is there, and load no file."""
    code = ast.parse((PACKAGE / "engines" / f"{module}.py").read_text(encoding="utf-8"))
    used = [ast.unparse(node) for node in ast.walk(code) if isinstance(node, ast.Attribute | ast.Call)]
    assert f"ctypes.CDLL(None).{call}" in used
    loaders = {"CDLL", "PyDLL", "WinDLL", "OleDLL", "LibraryLoader", "cdll", "pydll", "windll", "oledll", "util"}
    assert [what for what in used if what in {f"ctypes.{loader}" for loader in loaders}] == ["ctypes.CDLL"]


def test_the_engine_in_the_box_is_loaded_in_its_own_process_only() -> None:
    """Importing its program loads nothing: what loads is called where it is run by path."""
    source = (PACKAGE / "engines" / "loop.py").read_text(encoding="utf-8")
    calls = [node for node in ast.parse(source).body if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)]
    assert calls == [] and source.rstrip().endswith('if __name__ == "__main__":\n    main(sys.argv[1])')
    assert not [path.name for path in PACKAGE.rglob("*.py") if "loop.main" in path.read_text(encoding="utf-8")]
