"""The wheel and the source distribution: complete, alike, and at work in an environment of their own.

Built by the backend's own hooks from a copy of what is tracked, without the network.
"""

from __future__ import annotations

import ast
import email
import email.message
import importlib.metadata
import json
import re
import shutil
import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import venv
import zipfile
from dataclasses import dataclass
from pathlib import Path

import pytest

import trapscan

ROOT = Path(trapscan.__file__).parent.parent
ENGINE = ROOT / "tests" / "engines" / "material_uci.py"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def tracked() -> list[str]:
    """What git tracks; a copy of the project without git has nothing to be compared with."""
    try:
        done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("no git checkout")
    return [name for name in done.stdout.splitlines() if (ROOT / name).is_file()]


def build(kind: str, source: Path, out: Path) -> Path:
    """What the backend makes of the source tree: `kind` is wheel or sdist."""
    code = f"from setuptools import build_meta; print(build_meta.build_{kind}({str(out)!r}))"
    done = subprocess.run([sys.executable, "-c", code], cwd=source, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return out / done.stdout.split()[-1]


@dataclass(frozen=True)
class Built:
    """The source distribution, the tree that it unpacks to, the wheel built from that tree, and the one built from the
    checkout."""

    sdist: Path
    tree: Path
    from_sdist: Path
    wheel: Path


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    folder = tmp_path_factory.mktemp("built")
    checkout = folder / "checkout"
    for name in tracked():
        (checkout / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(ROOT / name, checkout / name)
    for each in ("a", "b"):
        (folder / each).mkdir()
    sdist = build("sdist", checkout, folder)
    with tarfile.open(sdist) as packed:
        packed.extractall(folder / "unpacked", filter="data")
    (tree,) = (folder / "unpacked").iterdir()
    return Built(sdist, tree, build("wheel", tree, folder / "a"), build("wheel", checkout, folder / "b"))


def test_the_source_distribution_is_complete(built: Built) -> None:
    here = {path.relative_to(built.tree).as_posix() for path in built.tree.rglob("*") if path.is_file()}
    assert set(tracked()) - here == set()


def contents(wheel: Path) -> dict[str, int]:
    with zipfile.ZipFile(wheel) as packed:
        return {info.filename: info.CRC for info in packed.infolist() if not info.filename.endswith("RECORD")}


def test_the_wheel_holds_the_package_and_nothing_else(built: Built) -> None:
    names = {name for name in contents(built.wheel) if ".dist-info/" not in name}
    assert names == {name for name in tracked() if name.startswith("trapscan/")}
    assert contents(built.from_sdist) == contents(built.wheel)


def metadata(wheel: Path) -> email.message.Message:
    with zipfile.ZipFile(wheel) as packed:
        (name,) = [name for name in packed.namelist() if name.endswith(".dist-info/METADATA")]
        return email.message_from_bytes(packed.read(name))


def test_there_is_one_version(built: Built) -> None:
    assert metadata(built.wheel)["Version"] == trapscan.__version__
    assert "version" not in PROJECT and "version" in PROJECT["dynamic"]


def test_what_an_index_shows_leads_nowhere_else(built: Built) -> None:
    """An index shows the text alone: links and pictures must say where they are on the web, or not be there."""
    text = str(metadata(built.wheel).get_payload())
    assert "trapscan scan" in text
    assert re.findall(r"\]\((?!https://)[^)]*\)|<img|\]: (?!https://)", text) == []


# --- dependencies ----------------------------------------------------------------------------------------------------


def imported() -> set[str]:
    """The packages outside that the package's modules import."""
    found = set()
    for file in (ROOT / "trapscan").rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.partition(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module.partition(".")[0])
    return found - set(sys.stdlib_module_names) - {"trapscan"}


def declared(*requirements: str) -> set[str]:
    """Their names, and the extras asked for: `dask[distributed]` brings distributed."""
    names = {name for each in requirements for name in re.findall(r"^[\w.-]+|(?<=\[)[\w.-]+(?=\])", each)}
    return {name.lower().replace("_", "-") for name in names}


def test_every_package_that_is_imported_is_declared() -> None:
    homes = importlib.metadata.packages_distributions()
    run = declared(*PROJECT["dependencies"])
    extra = declared(*PROJECT["optional-dependencies"]["cluster"])
    names = {name: {home.lower().replace("_", "-") for home in homes.get(name, ())} for name in imported()}
    assert {name for name, where in names.items() if where and not where & (run | extra)} == set()
    unknown = {name for name, where in names.items() if not where}
    assert unknown <= {"distributed"}, "an extra that may not be installed"


# --- at work ---------------------------------------------------------------------------------------------------------


@pytest.fixture(params=["wheel", "from_sdist"])
def installed(request: pytest.FixtureRequest, built: Built, tmp_path: Path) -> Path:
    """Python in an environment that holds the wheel; the packages that it needs are those of this environment."""
    home = tmp_path / "env"
    venv.EnvBuilder(with_pip=False, symlinks=sys.platform != "win32").create(home)
    python = home / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")
    code = "import sysconfig; print(sysconfig.get_path('purelib'))"
    place = Path(subprocess.run([python, "-c", code], capture_output=True, text=True, check=True).stdout.strip())
    wheel = getattr(built, request.param)
    pip = [sys.executable, "-m", "pip", "--python", str(python), "--disable-pip-version-check", "install", "-q"]
    subprocess.run([*pip, "--no-deps", "--no-index", str(wheel)], check=True)
    (place / "others.pth").write_text(sysconfig.get_path("purelib"))  # its own .pth files are not read from here
    return python


def test_it_works_where_it_is_installed(installed: Path, tmp_path: Path) -> None:
    """The command, its presets, its chances, its schema and its web files, far from the checkout."""
    place = tmp_path / "elsewhere"
    place.mkdir()
    (place / "line.pgn").write_text("1. e4 e5 2. Qh5 *\n")

    def run(*words: str) -> str:
        done = subprocess.run(words, cwd=place, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return done.stdout

    command = str(installed.with_name("trapscan"))
    where = Path(run(str(installed), "-c", "import trapscan; print(trapscan.__file__)").strip())
    assert installed.parent.parent in where.parents
    assert run(command, "--version") == f"trapscan {trapscan.__version__}\n"
    engine, store = f"{sys.executable} {ENGINE}", str(place / "store.db")
    scan = [command, "scan", "line.pgn", "--engine", engine, "--store", store, "--preset", "quick", "--beyond", "0"]
    told = run(*scan, "--jobs", "1", "--out", "out")
    assert "4 positions" in told
    made = json.loads((place / "out" / "scan.json").read_text(encoding="utf-8"))
    assert made["tool"]["version"] == trapscan.__version__ and made["input"]["positions"] == 4
    assert "</html>" in (place / "out" / "report.html").read_text(encoding="utf-8")
    listed = json.loads(run(command, "chance", "1. e4", "--json", "--level", "1500").splitlines()[0])
    assert listed
