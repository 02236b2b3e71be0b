"""scan.json is checked whole when it is read: one line of error for whatever cannot be, and no form is written."""

from __future__ import annotations

import codecs
import json
from pathlib import Path
from typing import Any

import pytest

from tests.report.sample_scans import trap_scan
from trapscan.cli import main
from trapscan.contract import encode_scan
from trapscan.errors import ReportError
from trapscan.report.reading import decode_scan

SLIP = next(number for number, finding in enumerate(trap_scan().findings) if getattr(finding, "prepared", None))
TWIN = next(number for number, finding in enumerate(trap_scan().findings) if getattr(finding, "look_alikes", None))
BAIT = len(trap_scan().findings) - 1
WHITE_AND_BLACK = {"white": "black", "black": "white"}


def damaged(at: int, where: str, value: Any) -> bytes:
    """The trap scan with one value of a finding replaced; `where` is a path of names and numbers."""
    data = json.loads(encode_scan(trap_scan()))
    _set(data["findings"][at], where, value)
    return json.dumps(data).encode()


def _set(node: Any, where: str, value: Any) -> None:
    *way, last = [int(step) if step.isdigit() else step for step in where.split(".")]
    for step in way:
        node = node[step]
    node[last] = value


DAMAGES: list[tuple[int, str, Any]] = [
    # from the review: each ended in a traceback, or was taken
    (SLIP, "also", ["Qh9"]),
    (SLIP, "slip.uci", "0000"),
    (SLIP, "slip.san", "Qh9"),
    (SLIP, "refutation.uci", "mate"),
    (SLIP, "refutation.san", "Qh9"),
    (SLIP, "refutation.line", ["Qh9"]),
    (SLIP, "toll", [1e308] * 8),
    (SLIP, "instead.0.san", "Qh9"),
    (SLIP, "instead.0.uci", "a1a1"),
    (SLIP, "prepared.answers", ["Qh9"]),
    (TWIN, "look_alikes.0.line", ["Qh9"]),
    (TWIN, "look_alikes.0.line", ["e4", "e5"]),
    (TWIN, "look_alikes.0.fen", "4k3/8/8/8/8/8/8/4K3 w - - 0 1"),
    (SLIP, "cp_best", {}),
    (SLIP, "cp_best", {"mate": 1, "cp": 2}),
    (SLIP, "cp_slip", 10**15),
    (SLIP, "move_orders", -1),
    (SLIP, "depth.exposed", -1),
    (SLIP, "verified.nodes", -1),
    (SLIP, "verified.nodes", 10**18),
    (SLIP, "beyond", -1),
    (SLIP, "material", 1e300),
    (SLIP, "chance", [1.5] * 8),
    (SLIP, "reach", [-0.1] * 8),
    # the same for what has come since
    (SLIP, "likely_line", ["Qh9"]),
    (SLIP, "let_off", [{"san": "Qh9", "chance": [0.1] * 8, "line": []}]),
    (SLIP, "let_off", [{"san": "Qh9", "chance": [0.1], "line": []}]),
    (SLIP, "forgoes", "nobody"),
    (SLIP, "own", {"san": "Qh9", "uci": "a1a1", "cp": 0}),
    (SLIP, "chapters", [99]),
    (SLIP, "words", [{"chapter": 99, "place": "position", "text": "x"}]),
    (BAIT, "bait.san", "Qh9"),
    (BAIT, "replies.0.slip.san", "Qh9"),
    (BAIT, "replies.0.refutation.uci", "mate"),
    (BAIT, "replies.0.cp_best", {}),
    (BAIT, "bait_details.repertoire_move.uci", "a1a1"),
    (BAIT, "bait_details.against", {"san": "Qh9", "uci": "a1a1"}),
    (BAIT, "bait_details.price", [1e300] * 8),
]


@pytest.mark.parametrize(("at", "where", "value"), DAMAGES, ids=[f"{where}={value}" for _, where, value in DAMAGES])
def test_what_cannot_be_is_refused_with_the_finding_named(at: int, where: str, value: Any) -> None:
    with pytest.raises(ReportError) as caught:
        decode_scan(damaged(at, where, value))
    message = str(caught.value)
    assert "\n" not in message and len(message) < 500
    assert f"finding {trap_scan().findings[at].id}" in message or "chapter" in where or where == "words"


def test_the_victim_is_to_move() -> None:
    victim = trap_scan().findings[SLIP].victim
    with pytest.raises(ReportError, match="victim"):
        decode_scan(damaged(SLIP, "victim", WHITE_AND_BLACK[victim]))
    with pytest.raises(ReportError, match="victim"):
        decode_scan(damaged(BAIT, "victim", "black"))


@pytest.mark.parametrize(
    ("where", "value"),
    [
        ("level", -5),
        ("level", 5),
        ("levels", [1000, 9000]),
        ("counters.positions", -1),
        ("input.games", -1),
        ("problems", [{"file": "", "game": -1, "ply": 0, "text": ""}]),
        ("evidence", {"files": [], "games": -1}),
    ],
)
def test_numbers_of_the_whole(where: str, value: Any) -> None:
    data = json.loads(encode_scan(trap_scan()))
    _set(data, where, value)
    with pytest.raises(ReportError):
        decode_scan(json.dumps(data).encode())


def test_a_byte_order_mark_is_passed_over() -> None:
    assert decode_scan(codecs.BOM_UTF8 + encode_scan(trap_scan())) == trap_scan()


@pytest.mark.parametrize("command", [["report"], ["lesson", "--level", "1500", "--count", "3"], ["compare", "."]])
def test_every_command_refuses_it_and_writes_nothing(
    command: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("scan.json").write_bytes(damaged(SLIP, "also", ["Qh9"]))
    assert main([*command, "."]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and err.startswith("trapscan: ")
    assert [path.name for path in tmp_path.iterdir()] == ["scan.json"]


@pytest.mark.parametrize("level", ["0", "5", "599", "2601"])
@pytest.mark.parametrize("command", [["report"], ["lesson", "--count", "3"]])
def test_levels_are_those_that_a_scan_takes(
    command: list[str], level: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("scan.json").write_bytes(encode_scan(trap_scan()))
    assert main([*command, ".", "--level", level]) == 2
    assert f"level {level} is none between 600 and 2600" in capsys.readouterr().err


def test_all_forms_are_new_or_none_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("scan.json").write_bytes(encode_scan(trap_scan()))
    assert main(["report", "."]) == 0
    old = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    Path("cards.txt").unlink()
    Path("cards.txt").mkdir()
    assert main(["report", ".", "--level", "1000"]) == 2
    assert "cards.txt" in capsys.readouterr().err
    del old["cards.txt"]
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.is_file()} == old


def test_a_lesson_tells_where_fewer_came(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("scan.json").write_bytes(encode_scan(trap_scan()))
    assert main(["lesson", ".", "--level", "1500", "--count", "99999"]) == 0
    assert "of 99999 positions" in capsys.readouterr().err
