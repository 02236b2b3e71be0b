"""The estimate: what it counts exactly, how it answers to the settings, and that a real scan is of its size."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from trapscan.authored import Authored
from trapscan.cli import main
from trapscan.engines import Probe
from trapscan.engines.limits import NodeLimit
from trapscan.errors import InputError, SettingsError
from trapscan.graph import build
from trapscan.job import estimate_scan, scan
from trapscan.job.estimate import Estimate, estimate
from trapscan.repertoire import read_files
from trapscan.settings import Settings

ENGINE = f"{sys.executable} {Path(__file__).parent.parent / 'engines' / 'material_uci.py'}"
LINES = '[Event "Small"]\n[Result "*"]\n\n1. e4 e5 2. Nf3 Nc6 (2... d6 3. d4) 3. Bc4 Nf6 *\n'
FAST = Probe(name="Table 1.0", nps=1_000_000, multipv=True)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "small.pgn"
    path.write_text(LINES)
    return path


def of(file: Path, side: str = "black", **settings: object) -> Estimate:
    return estimate(author_of(file, side), FAST, Settings(**settings), 2)  # type: ignore[arg-type]


def author_of(file: Path, side: str) -> Authored:
    read = read_files([file])
    return Authored.of(read, build(read), {0: side})


def test_positions(file: Path) -> None:
    """Nine positions stand in the tree, four of them with Black to move before its end, five with White's side to."""
    found = of(file, beyond=0)
    assert (found.read, found.plain.positions) == (9, 9)
    assert found.baits.positions == 4, "Black's positions once more"
    # two ends: after 3.Bc4 Nf6 the other side is to move, after 3.d4 ours
    assert of(file, beyond=1, beyond_width=1).plain.positions == 11
    assert of(file, beyond=2, beyond_width=1).plain.positions == 13


def test_more_work_costs_more(file: Path) -> None:
    plain = of(file)
    for changed in (
        of(file, best_nodes=1_000_000),
        of(file, beyond=4),
        of(file, max_candidates=30, min_prior=0.0),
    ):
        assert changed.plain.nodes > plain.plain.nodes or changed.plain.searches > plain.plain.searches
    assert of(file, bait_verified=5).baits.nodes > plain.baits.nodes
    assert plain.minutes(plain.plain + plain.baits) > plain.minutes(plain.plain)


def test_a_slow_engine_takes_longer(file: Path) -> None:
    slow = Probe(name="Slow", nps=10_000, driven_by=NodeLimit(pace=8_192))
    there = estimate(author_of(file, "black"), slow, Settings(), 1)
    assert there.plain.nodes < of(file).plain.nodes, "it is given fewer nodes"
    assert there.minutes(there.plain) > of(file).minutes(of(file).plain)


def test_a_real_scan_is_of_its_size(file: Path, tmp_path: Path) -> None:
    """An engine of no chess sense, so only the order of magnitude: `check_estimate` measures with a real one."""
    common = {"side": "black", "preset": "quick", "beyond": 0, "engine": ENGINE, "jobs": 1}
    said = estimate_scan([file], **common)  # type: ignore[arg-type]
    was = scan([file], store=tmp_path / "store.db", **common).scan.counters  # type: ignore[arg-type]
    assert said.plain.positions == was.positions
    assert 1 / 3 < said.plain.searches / was.searches < 3
    assert 1 / 3 < said.plain.nodes / was.engine_nodes < 3


def test_the_command(file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    options = [str(file), "--side", "black", "--engine", ENGINE, "--beyond", "0", "--jobs", "2", "--out", "ignored"]
    assert main(["estimate", *options]) == 0
    text, _ = capsys.readouterr()
    assert "9 positions in the repertoire of black" in text and "with --baits" in text and "without --baits" in text
    assert main(["estimate", *options, "--json"]) == 0
    numbers = json.loads(capsys.readouterr().out)
    assert numbers["read"] == 9 and numbers["jobs"] == 2
    assert numbers["with_baits"]["engine_nodes"] > numbers["without_baits"]["engine_nodes"] > 0
    assert not Path("ignored").exists()


def test_what_goes_wrong(tmp_path: Path, file: Path) -> None:
    with pytest.raises(InputError):
        estimate_scan([tmp_path / "none.pgn"], engine=ENGINE)
    with pytest.raises(SettingsError):
        estimate_scan([file], engine=ENGINE, settings={"threshold": 7})
