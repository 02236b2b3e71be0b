"""The independent check of reports: a real report passes what needs no engine, and one altered in any way does not."""

from __future__ import annotations

import copy
import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.independent import rules
from trapscan.contract import encode_scan
from trapscan.engines import Probe
from trapscan.job import scan

ROOT = Path(__file__).parent.parent.parent
ENGINE = ROOT / "tests" / "engines" / "material_uci.py"
FACTS = Probe(name="Material 1.0", nps=1_000_000, multipv=True, searchmoves=True)
# In the first position c4xd5 is a pawn's move, in the second the bishop's: the squares alone are alike.
LINES = """[Result "*"]

1. e4 e5 2. Nf3 Nc6 (2... d5 3. Bc4 Nf6) 3. Bc4 Nf6 4. Ng5 d5 5. exd5 Nxd5 (5... Na5) 6. Nxf7 *

[Result "*"]

1. d4 d5 2. c4 e5 (2... e6 3. Nc3 Nf6 4. Bg5 Nbd7 5. cxd5 exd5 6. Nxd5 Nxd5) 3. e3 Nf6 *
"""
Finding = dict[str, Any]


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Finding:
    folder = tmp_path_factory.mktemp("report")
    (folder / "lines.pgn").write_text(LINES)
    small: dict[str, Any] = {
        "budgets": [{"chance": 0.0, "least": 200, "most": 200}],
        "best_nodes": 300,
        "confirm_nodes": 200,
        "max_candidates": 6,
        "levels": [1500],
        "verify_nodes": 0,
    }
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("trapscan.engines.probe", lambda spec, **_: FACTS)
        result = scan(
            [folder / "lines.pgn"],
            side="both",
            engine=f"{sys.executable} {ENGINE}",
            jobs=1,
            store=folder / "store.db",
            beyond=0,
            settings=small,
        )
    found: Finding = json.loads(encode_scan(result.scan))
    assert len(found["findings"]) > 10
    return found


def test_it_shares_no_code() -> None:
    """Only python-chess and the standard library are loaded."""
    code = "import sys; from tests.independent import rules; print(sorted(m.partition('.')[0] for m in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    foreign = {"trapscan", "msgspec", "numpy", "joblib"} & set(done.stdout.replace("'", "").strip("[]\n").split(", "))
    assert not foreign


def test_a_real_report_passes(report: Finding) -> None:
    for finding in report["findings"]:
        assert rules.check(finding) == [], finding["fen"]


def other_square(square: str) -> str:
    return square[0] + str(int(square[1]) % 8 + 1)


def spoil_line(finding: Finding) -> None:
    finding["line"] = finding["line"][:-1]


def spoil_slip(finding: Finding) -> None:
    finding["slip"]["uci"] = finding["slip"]["uci"][:2] + other_square(finding["slip"]["uci"][2:4])


def spoil_victim(finding: Finding) -> None:
    finding["victim"] = "white" if finding["victim"] == "black" else "black"


def spoil_reply(finding: Finding) -> None:
    finding["refutation"]["uci"] = "a1a1"


def spoil_refutation(finding: Finding) -> None:
    finding["refutation"]["line"] = [*finding["refutation"]["line"][:1] * 2, *finding["refutation"]["line"][1:]]


def spoil_also(finding: Finding) -> None:
    finding["also"] = [*finding["also"], finding["refutation"]["san"]]


def spoil_instead(finding: Finding) -> None:
    finding["instead"] = [{**finding["slip"], "answers": ""}]


@pytest.mark.parametrize(
    "spoil",
    [spoil_line, spoil_slip, spoil_victim, spoil_reply, spoil_refutation, spoil_also, spoil_instead],
)
def test_what_is_altered_is_told(report: Finding, spoil: Callable[[Finding], None]) -> None:
    spoilt = copy.deepcopy([f for f in report["findings"] if f["record"] == "slip" and f["line"] and f["refutation"]])
    for finding in spoilt:
        spoil(finding)
        assert rules.check(finding), (spoil.__name__, finding["fen"])
    assert len(spoilt) > 5


def test_look_alikes(report: Finding) -> None:
    with_alikes = [f for f in report["findings"] if f["record"] == "slip" and f["look_alikes"]]
    assert with_alikes
    for finding in copy.deepcopy(with_alikes):
        finding["look_alikes"][0]["squares"] = finding["look_alikes"][0]["squares"][1:]
        assert any("other squares differ" in text for text in rules.check(finding))


@pytest.mark.parametrize(
    ("sentence", "wrong"),
    [
        ("Nxe5 Bxd1 Bxf7+ Ke7 Nd5 is mate.", ""),
        ("Nxe5 Bxd1 Bxf7+ Ke7 Nc3 is mate.", "no such move"),
        ("After Nxe5 Bxd1, Bxf7+ takes the pawn that only the king guards.", ""),
        ("After Nxe5 Bxd1, Bxf7+ takes the rook on f7.", "not so: takes the rook on f7"),
        ("Nxe5 hits the bishop on g4.", ""),
        ("Nxe5 hits the bishop on c8.", "no bishop on c8"),
        ("Nxe5 hits the rook on a8.", "not so: hits the rook on a8"),
        ("Nxe5 threatens Qxg4.", ""),
        ("Nxe5 threatens Qxg7.", "no such move"),
        ("Nxe5 wins a pawn, since dxe5 loses the bishop on g4 to Qxg4.", ""),
        ("Nxe5 wins a pawn, since Bxd1 allows Bxf7+ mate.", "not so: allows Bxf7+ mate"),
        ("Nxe5 wins a pawn, since " + "a very long sentence " * 6 + "follows.", "words"),
    ],
)
def test_sentences(sentence: str, wrong: str) -> None:
    """Legal's mate: 1.e4 e5 2.Nf3 d6 3.Bc4 Bg4 4.Nc3, and 4...a6 is the slip; 5.Nxe5 Bxd1 6.Bxf7+ Ke7 7.Nd5 mate
    (from memory; the mate is checked here)."""
    boards = rules.replay(
        "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1", ["e4", "e5", "Nf3", "d6", "Bc4", "Bg4", "Nc3"]
    )
    finding: Finding = {
        "record": "slip",
        "fen": boards[-1].fen(),
        "slip": {"san": "a6", "uci": "a7a6"},
        "refutation": {"san": "Nxe5", "uci": "f3e5", "line": ["Nxe5", "Bxd1", "Bxf7+", "Ke7", "Nd5#"]},
        "instead": [],
        "look_alikes": [],
        "why_tempting": "",
        "why_it_fails": sentence,
        "gain": "mate",
        "material": 0.0,
        "cp_best": 90,
        "cp_slip": {"mate": -3},
    }
    told = list(rules.check_sentences(finding))
    assert bool(told) == bool(wrong) and (not told or any(wrong in text for text in told))
    assert list(rules.check_material(finding, [])) == []
    assert list(rules.check_material({**finding, "gain": "piece", "material": 3.0}, []))


def test_with_an_engine(report: Finding, tmp_path: Path) -> None:
    """The very engine of the report at the very nodes bears out what it said; one that counts only a half of each
    centipawn finds less lost, until its scale is fitted."""
    report = {**report, "findings": [f for f in report["findings"] if f["line"]]}  # the engine knows no "startpos"
    (tmp_path / "scan.json").write_text(json.dumps(report))
    engine = f"{sys.executable} {ENGINE}"
    command = [
        sys.executable,
        "-m",
        "scripts.lab.report.check_report",
        str(tmp_path),
        "--engine",
        engine,
        "--times",
        "1",
        "--least",
        "1",
        "--sample",
        "12",
    ]

    def run(*more: str) -> str:
        done = subprocess.run([*command, *more], cwd=ROOT, capture_output=True, text=True, check=False)
        return done.stdout + done.stderr

    same = run("--slack", "0", "--jobs", "2")
    assert " slip" not in same and f"12 of {len(report['findings'])} findings" in same
    halved = run("--slack", "0", "--scale", "0.25")
    assert int(halved.split("  slip\n")[0].split()[-1]) > 1, "slips lose less than the threshold then"
    fitted = re.search(r"centipawns x ([\d.]+), fitted", run("--scale", "fit"))
    assert fitted is not None and abs(float(fitted[1]) - 1) < 0.05, "its own scores, of other iterations here and there"
    spoilt = copy.deepcopy(report)
    for finding in spoilt["findings"]:
        finding["material"] += 9.0
    (tmp_path / "scan.json").write_text(json.dumps(spoilt))
    assert "material" in run()
