"""Reading and writing a scan: the contract, the shipped schema, hostile and broken input."""

from __future__ import annotations

import json
import os
from itertools import islice
from pathlib import Path
from typing import Any

import chess
import jsonschema
import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.report.sample_scans import bulk_scan, hostile_scan, make_scan, trap_scan
from trapscan.contract import BaitFinding, RepertoireSide, Scan, SlipFinding, encode_in_pieces, encode_scan
from trapscan.errors import ReportError
from trapscan.report import read_scan, reading, scan_schema, write_reports, write_scan
from trapscan.report.files import write_aside
from trapscan.report.page import page_in_pieces
from trapscan.report.present import Presentation
from trapscan.report.reading import decode_scan
from trapscan.report.schema import shipped_schema
from trapscan.sanitize import sanitize


def test_the_shipped_schema_is_the_generated_one() -> None:
    assert shipped_schema() == scan_schema()


@pytest.mark.parametrize("record", [SlipFinding, BaitFinding])
def test_every_field_of_a_finding_is_explained_in_the_schema(record: type) -> None:
    properties = scan_schema()["$defs"][record.__name__]["properties"]
    assert {name for name, field in properties.items() if not field.get("description")} == {"record"}
    assert properties["toll"]["description"].startswith("per level: points per 100 games")


@pytest.mark.parametrize("make", [trap_scan, hostile_scan, lambda: bulk_scan(50), lambda: make_scan(())])
def test_scans_follow_the_schema_and_come_back_equal(make: Any, tmp_path: Path) -> None:
    scan = make()
    path = write_scan(scan, tmp_path)
    data = json.loads(path.read_bytes())
    jsonschema.Draft202012Validator.check_schema(scan_schema())
    jsonschema.Draft202012Validator(scan_schema()).validate(data)
    assert read_scan(tmp_path) == scan
    assert read_scan(path) == scan


@pytest.mark.parametrize("make", [trap_scan, hostile_scan, lambda: bulk_scan(3), lambda: make_scan(())])
def test_in_pieces_it_is_the_same_file(make: Any) -> None:
    scan = make()
    whole = msgspec.json.format(msgspec.json.encode(scan, order="sorted"), indent=2) + b"\n"
    assert encode_scan(scan) == whole
    assert len(list(encode_in_pieces(scan))) == len(scan.findings) + 2


@pytest.mark.parametrize("make", [trap_scan, hostile_scan, lambda: make_scan(())])
def test_the_page_in_pieces_holds_every_finding(make: Any) -> None:
    scan = make()
    text = "".join(page_in_pieces(Presentation.of(scan), 40))
    element = text.partition('<script type="application/json" id="data">')[2].partition("</script>")[0]
    data = json.loads(element)
    assert [finding["id"] for finding in data["findings"]] == [
        sanitize(finding.id, limit=100) for finding in scan.findings
    ]
    assert list(data) == sorted(data)


def test_a_page_too_large_for_a_browser_holds_what_stands_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trapscan.report.page.MAX_FINDINGS", 7)
    shown = Presentation.of(trap_scan(), level=1900)
    text = "".join(page_in_pieces(shown, 40))
    data = json.loads(text.partition('id="data">')[2].partition("</script>")[0])
    assert {finding["id"] for finding in data["findings"]} == {entry.id for entry in islice(shown.entries(), 7)}
    assert f"{len(trap_scan().findings)} findings" in text and "holds the 7 that stand first" in text


def test_the_schema_refuses_what_the_contract_does_not_know() -> None:
    validator = jsonschema.Draft202012Validator(scan_schema())
    data = json.loads(encode_scan(trap_scan()))
    assert validator.is_valid(data)
    for change in ({"schema": "trapscan.scan/1"}, {"more": 1}, {"level": "1500"}):
        assert not validator.is_valid(data | change)
    data["findings"][0]["kind"] = "blunder"
    assert not validator.is_valid(data)


def change(**fields: Any) -> bytes:
    """The trap scan's JSON with the first finding's fields replaced."""
    data = json.loads(encode_scan(trap_scan()))
    data["findings"][0] |= fields
    return json.dumps(data).encode()


BROKEN = {
    "empty": b"",
    "not json": b"[Event \"x\"]\n1. e4 *",
    "another file": b'{"a": 1}',
    "another schema": b'{"schema": "other/9"}',
    "cut off": encode_scan(trap_scan())[:5000],
    "not UTF-8": b'{"schema": "\xff\xfe"}',
    "deep": b'{"schema": "trapscan.scan/2", "settings": ' + b"[" * 100_000 + b"]" * 100_000 + b"}",
    "too few numbers": change(toll=[1.0]),
    "no number": change(toll=["x"] * 8),
    "illegal slip": change(slip={"san": "Qh7", "uci": "a1h8"}),
    "no slip": change(slip=None),
    "a slip called a bait": change(kind="bait"),
    "a slip said to be a bait": change(record="bait"),
    "neither slip nor bait": change(record="blunder"),
    "a limit that is none": encode_scan(trap_scan()).replace(b'"limit_kind": "nodes"', b'"limit_kind": "hours"'),
    "nobody's repertoire": encode_scan(trap_scan()).replace(b'  "side": "white"', b'  "side": "green"'),
    "another line": change(line=["e4"]),
    "illegal line": change(line=["e9"]),
    "no position": change(fen="8/8/8/8/8/8/8/8 w - - 0 1"),
    "bad FEN": change(fen="<script>"),
    "long FEN": change(fen="8/" * 100_000),
    "unknown kind": change(kind="blunder"),
    "unknown victim": change(victim="green"),
    "unknown gain": change(gain="everything"),
    "unknown field": change(extra=1),
    "square": change(
        look_alikes=[{"fen": chess.STARTING_FEN, "line": [], "cp_best": 0, "cp_move": 0, "squares": ["z9"]}]
    ),
    "refutation": change(refutation={"san": "Qa1", "uci": "h1a1", "line": ["Qa1#"]}),
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(BROKEN))
def test_broken_input_is_refused_in_one_line(name: str, tmp_path: Path) -> None:
    (tmp_path / "scan.json").write_bytes(BROKEN[name])
    with pytest.raises(ReportError) as caught:
        read_scan(tmp_path)
    message = str(caught.value)
    assert "\n" not in message and len(message) < 1000
    assert "scan.json" in message


def test_a_scan_of_version_1_is_to_be_made_again() -> None:
    old = json.dumps({"schema": "trapscan.scan/1", "findings": [{"kind": "trick", "slip": None}]}).encode()
    with pytest.raises(ReportError) as caught:
        decode_scan(old, source="reports/x/scan.json")
    assert str(caught.value) == (
        "reports/x/scan.json was written by an older trapscan (trapscan.scan/1): scan again, with the same command; "
        "the engine's answers are in the store, so that it takes seconds"
    )


@pytest.mark.parametrize("fields", [{"net": [0.1]}, {"price": []}, {"otherwise": ["Nxd4", "Kxe1"]}])
def test_a_baits_balance_has_a_number_for_each_level_and_moves_that_can_be_played(fields: dict[str, Any]) -> None:
    data = json.loads(encode_scan(trap_scan()))
    (bait,) = [finding for finding in data["findings"] if finding["record"] == "bait"]
    assert decode_scan(json.dumps(data).encode()) == trap_scan()
    bait["bait_details"] |= fields
    with pytest.raises(ReportError, match="finding bait0: "):
        decode_scan(json.dumps(data).encode())


def test_infinite_numbers_are_refused() -> None:
    data = encode_scan(trap_scan()).replace(b'"toll": [\n', b'"toll": [\n 1e999,', 1)
    with pytest.raises(ReportError):
        decode_scan(data)


def test_two_findings_of_one_id_are_refused() -> None:
    scan = trap_scan()
    twice = msgspec.structs.replace(scan, findings=(scan.findings[0], scan.findings[0]))
    with pytest.raises(ReportError, match="two findings"):
        decode_scan(encode_scan(twice))


def test_a_scan_as_it_is_written_is_read_a_finding_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Then its size is no matter, and what is read is the same; of another layout the whole must fit."""
    scan = bulk_scan(60)
    written = encode_scan(scan)
    compact = msgspec.json.encode(msgspec.json.decode(written))
    assert decode_scan(compact) == scan
    monkeypatch.setattr(reading, "MAX_BYTES", len(written) // 4)
    assert len(compact) > len(written) // 4 and decode_scan(written) == scan
    with pytest.raises(ReportError, match="not laid out as trapscan writes it"):
        decode_scan(compact)
    with pytest.raises(ReportError, match=r"at `\$\.findings\[49\]\.gain`"):
        decode_scan(b'"gain": 7'.join(written.rsplit(b'"gain": "pawn"', 1)))


WRITTEN = encode_scan(trap_scan())
OTHERWISE = {
    "no comma": WRITTEN.replace(b"    },\n", b"    }\n", 1),
    "a comma too many": WRITTEN.replace(b"    }\n  ]", b"    },\n  ]"),
    "an empty place": WRITTEN.replace(b"    },\n", b"    },\n    },\n", 1),
    "another's list": WRITTEN.replace(b'  "findings": [\n', b'  "findings": [],\n  "settings": {\n  "findings": [\n')
    .replace(b"    }\n  ],", b"    }\n  ]},"),
    "two lists": WRITTEN.replace(b'  "input"', b'  "findings": [\n    {\n    }\n  ],\n  "input"'),
    "another list behind": WRITTEN.replace(b'  "input"', b'  "findings": [3],\n  "input"'),
    "cut": WRITTEN[: len(WRITTEN) // 2],
}  # fmt: skip


@pytest.mark.parametrize("name", sorted(OTHERWISE))
def test_a_finding_at_a_time_is_read_what_is_read_at_once(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    def outcome() -> Scan | str:
        try:
            return decode_scan(OTHERWISE[name])
        except ReportError as exc:
            return str(exc)

    apart = outcome()
    monkeypatch.setattr(reading, "OPENS", b"nothing begins like this")
    assert apart == outcome() and (isinstance(apart, str) or not apart.findings)
    assert decode_scan(WRITTEN) == trap_scan()


@given(st.binary(max_size=300) | st.text(max_size=200).map(str.encode))
@settings(max_examples=100, deadline=None)
def test_no_bytes_get_past_the_one_error(data: bytes) -> None:
    with pytest.raises(ReportError):
        decode_scan(data)


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_a_damaged_scan_is_read_or_refused_and_nothing_else(data: st.DataObject) -> None:
    whole = encode_scan(make_scan(trap_scan().findings[:1]))
    at = data.draw(st.integers(0, len(whole) - 1))
    damaged = whole[:at] + bytes([data.draw(st.integers(0, 255))]) + whole[at + 1 :]
    try:
        assert isinstance(decode_scan(damaged), Scan)
    except ReportError as exc:
        assert "\n" not in str(exc)


def test_a_missing_folder_is_one_error(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="give the folder"):
        read_scan(tmp_path / "nowhere")
    with pytest.raises(ReportError):
        read_scan("a\0b")


def test_writing_leaves_the_old_file_or_the_new_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "report.md"
    write_aside(path, b"old")

    def full(fd: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ReportError, match="No space left"):
        write_aside(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_the_folder_may_be_a_file(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("x")
    with pytest.raises(ReportError, match="cannot write"):
        write_scan(trap_scan(), tmp_path / "out")


def test_reports_are_the_same_bytes_twice(tmp_path: Path) -> None:
    first = write_reports(trap_scan(), tmp_path / "a")
    second = write_reports(trap_scan(), tmp_path / "b")
    names = ["report.html", "report.md", "tricks.pgn", "tricks.epd", "findings.csv", "findings.jsonl", "cards.txt"]
    names.append("to-add.pgn")
    assert [path.name for path in first] == names
    for one, two in zip(first, second, strict=True):
        assert one.read_bytes() == two.read_bytes()


@pytest.mark.parametrize("make", [trap_scan, hostile_scan, lambda: bulk_scan(20), lambda: make_scan(())])
def test_a_line_of_json_a_finding(make: Any, tmp_path: Path) -> None:
    scan = make()
    write_reports(scan, tmp_path)
    *lines, last = (tmp_path / "findings.jsonl").read_bytes().split(b"\n")
    assert last == b""
    records = [msgspec.json.decode(line, type=SlipFinding | BaitFinding) for line in lines]
    assert records == list(Presentation.of(scan).ordered)


def test_another_level_and_side(tmp_path: Path) -> None:
    scan = msgspec.structs.replace(trap_scan(), side=RepertoireSide.BOTH)
    low, high = write_reports(scan, tmp_path / "low", level=1000), write_reports(scan, tmp_path / "high", level=2400)
    assert low[4].read_text("utf-8-sig") != high[4].read_text("utf-8-sig")
    black = write_reports(scan, tmp_path / "black", side="black")[4].read_text("utf-8-sig")
    for row in black.splitlines()[1:]:
        _, kind, victim = row.split(",")[:3]
        assert kind not in ("trick", "pitfall") or (kind == "pitfall") == (victim == "black")
    with pytest.raises(ReportError, match="scan again with --side black"):
        write_reports(trap_scan(), tmp_path, side="black")
    with pytest.raises(ReportError):
        write_reports(scan, tmp_path, level=99_999)
    with pytest.raises(ReportError):
        write_reports(scan, tmp_path, shown=0)
