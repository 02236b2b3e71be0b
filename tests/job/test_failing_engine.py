"""An engine that fails everywhere ends the scan; one that fails later on is given up, and what is done is reported."""

from __future__ import annotations

import sys
import time
from pathlib import Path

import pytest

from tests.job.small_scans import SMALL
from trapscan.cli import main
from trapscan.engines import choose, probe
from trapscan.errors import EngineError
from trapscan.job import scan
from trapscan.job.run import FAILED_AT_LAST, UNASKED
from trapscan.progress import Progress

MATERIAL = Path(__file__).parent.parent / "engines" / "material_uci.py"


class Fatal(Progress):
    """After so many positions the engine dies in each search."""

    def __init__(self, file: Path, after: int) -> None:
        self.file, self.after, self.steps = file, after, 0

    def step(self, positions: int, slips: int) -> None:
        self.steps += positions
        if self.steps == self.after:
            self.file.touch()


@pytest.fixture
def mortal(tmp_path: Path) -> tuple[str, Path]:
    """An engine that was measured while it was well, and the file whose presence kills it."""
    fatal = tmp_path / "fatal"
    engine = f"{sys.executable} {MATERIAL} 0 unless={fatal}"
    assert not probe(choose(engine)).refused
    return engine, fatal


def test_one_that_fails_everywhere(mortal: tuple[str, Path], lines: Path, tmp_path: Path) -> None:
    engine, fatal = mortal
    fatal.touch()
    told = Fatal(fatal, 10**9)
    with pytest.raises(EngineError, match="failed at all of the first positions") as end:
        scan([lines], engine=engine, jobs=1, store=tmp_path / "store", settings=SMALL, progress=told)
    assert end.value.exit_code == 3 and "exit code 3" in str(end.value), "its own last words are told"
    assert told.steps == 0, "it fails at the first glances: no position is examined"


def test_one_that_fails_at_the_only_position(
    mortal: tuple[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    engine, fatal = mortal
    fatal.touch()
    monkeypatch.chdir(tmp_path)
    Path("one.epd").write_text("rnbqkbnr/pppp1ppp/8/4p3/4P3/8/PPPP1PPP/RNBQKBNR w KQkq -\n")
    assert main(["scan", "one.epd", "--engine", engine, "--jobs", "1", "--beyond", "0", "--store", "store"]) == 3
    out, err = capsys.readouterr()
    assert "from the store" not in out and len(err.splitlines()) == 1
    assert not Path("reports").exists()


@pytest.mark.parametrize("jobs", [1, 2])
def test_one_that_fails_later_on(jobs: int, mortal: tuple[str, Path], lines: Path, tmp_path: Path) -> None:
    engine, fatal = mortal
    more = tmp_path / "more.pgn"
    more.write_text(
        "\n\n".join(
            f"1. {first} {reply} *" for first in ("e4", "d4", "c4", "f4") for reply in ("e5", "d5", "c5", "e6", "c6")
        )
    )
    result = scan(
        [lines, more], engine=engine, jobs=jobs, store=tmp_path / "store", settings=SMALL, progress=Fatal(fatal, 4)
    )
    done, problems = result.scan.counters.positions, result.scan.problems
    assert 4 <= done < result.scan.input.positions
    unasked = [problem.text for problem in problems if UNASKED in problem.text]
    assert len(unasked) == 1 and len(problems) >= FAILED_AT_LAST + 1
    assert int(unasked[0].split()[0]) >= 1


def test_a_second_engine_that_fails_everywhere(
    mortal: tuple[str, Path], stockfish: object, lines: Path, tmp_path: Path
) -> None:
    engine, fatal = mortal
    fatal.touch()
    start = time.monotonic()
    result = scan([lines], engine="stockfish", second_engine=engine, jobs=1, store=tmp_path / "store", settings=SMALL)
    assert result.scan.findings and all(found.verified.second_engine is None for found in result.scan.findings)
    texts = [problem.text for problem in result.scan.problems]
    assert sum("second engine" in text for text in texts) <= FAILED_AT_LAST + 1
    assert time.monotonic() - start < 60
