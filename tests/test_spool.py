"""Findings that are not in memory: the same sequence, the same report, less memory."""

from __future__ import annotations

import errno
import gc
import os
import pickle
import tracemalloc
from collections.abc import Callable, Sequence
from pathlib import Path

import msgspec
import pytest

from tests.report.sample_scans import bulk_scan, trap_scan
from trapscan import spool
from trapscan.contract import Finding, Nature, Scan, encode_scan
from trapscan.errors import StoreError
from trapscan.levels import Lens
from trapscan.order import ORDERS, in_order, outlines, ranked
from trapscan.report import compare, lesson, read_scan, write_reports, write_scan
from trapscan.spool import Picked, Spool


@pytest.mark.parametrize("in_memory", [1, 2**20])
def test_a_spool_is_the_sequence_that_went_in(monkeypatch: pytest.MonkeyPatch, in_memory: int) -> None:
    monkeypatch.setattr(spool, "IN_MEMORY", in_memory)
    words = [f"word {number}" * number for number in range(50)]
    kept = Spool[str](str, words)
    assert kept == words and kept != words[1:] and list(kept) == words and len(kept) == 50
    assert (kept[7], kept[-1], kept[3:5]) == (words[7], words[-1], tuple(words[3:5]))
    with pytest.raises(IndexError):
        kept[50]
    reader = iter(kept)
    assert [next(reader), kept[40], next(reader)] == [words[0], words[40], words[1]], "whoever else reads meanwhile"
    assert kept.add("more") == 50 and kept[50] == "more" and kept[49] == words[49]
    picked = Picked(kept, (4, 2, 50))
    assert picked == (words[4], words[2], "more") and list(reversed(picked)) == ["more", words[2], words[4]]
    assert pickle.loads(pickle.dumps(picked)) == tuple(picked)


def test_a_folder_without_room_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*args: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    for name in ("write", "seek"):
        kept = Spool[str](str, ["word"])
        monkeypatch.setattr(kept._file, name, full)
        with pytest.raises(StoreError, match=r"No space left on device.*TMPDIR"):
            kept.add("word")
    with pytest.raises(StoreError, match="No space left on device"):
        kept[0]


def test_the_report_does_not_hang_on_where_findings_are(tmp_path: Path) -> None:
    scan = msgspec.json.decode(encode_scan(trap_scan()), type=type(trap_scan()))
    assert isinstance(scan.findings, tuple)
    away = msgspec.structs.replace(scan, findings=Spool(Finding, scan.findings))
    for name, each in (("here", scan), ("away", away)):
        write_scan(each, tmp_path / name)
        write_reports(each, tmp_path / name)
    files = {path.name: path.read_bytes() for path in (tmp_path / "here").iterdir()}
    assert files == {path.name: path.read_bytes() for path in (tmp_path / "away").iterdir()} and len(files) == 9
    assert read_scan(tmp_path / "away") == scan


def test_outlines_are_ordered_as_the_findings_are() -> None:
    findings = bulk_scan(300).findings
    outlined = tuple(outlines(findings))
    for level in (1000, 1450, 2400):
        lens = Lens(bulk_scan(300).levels, level)
        for order in ORDERS:
            assert [f.id for f in ranked(outlined, lens, order)] == [f.id for f in ranked(findings, lens, order)]
        assert [f.id for f in in_order(outlined, lens)] == [f.id for f in in_order(findings, lens)]


def test_findings_take_a_fifth_of_the_memory(monkeypatch: pytest.MonkeyPatch) -> None:
    """With all that they are ordered by."""
    monkeypatch.setattr(spool, "IN_MEMORY", 1)
    blob = [msgspec.msgpack.encode(finding) for finding in bulk_scan(500).findings]
    read = msgspec.msgpack.Decoder(Finding).decode

    def size(away: bool) -> int:
        gc.collect()
        before = tracemalloc.get_traced_memory()[0]
        made: Sequence[Finding] = tuple(map(read, blob)) if not away else Spool(Finding, map(read, blob))
        held = made, tuple(outlines(made)) if away else ()
        gc.collect()
        return tracemalloc.get_traced_memory()[0] - before + 0 * len(held)

    tracemalloc.start()
    try:
        assert 5 * size(away=True) < size(away=False)
    finally:
        tracemalloc.stop()


def test_comparing_and_choosing_hold_no_list_of_findings(monkeypatch: pytest.MonkeyPatch) -> None:
    """But what they order and choose by."""

    def worth_it(finding: Finding) -> Finding:
        return msgspec.structs.replace(finding, worth=tuple(0.5 for _ in finding.toll))

    monkeypatch.setattr(spool, "IN_MEMORY", 1)
    few, many = (
        msgspec.structs.replace(scan, findings=Spool(Finding, (worth_it(finding) for finding in scan.findings)))
        for scan in map(bulk_scan, (60, 260))
    )

    def peak(do: Callable[[Scan], object], scan: Scan) -> int:
        gc.collect()
        tracemalloc.reset_peak()
        before = tracemalloc.get_traced_memory()[0]
        do(scan)
        return tracemalloc.get_traced_memory()[1] - before

    tracemalloc.start()
    try:

        def each(do: Callable[[Scan], object]) -> float:
            do(few)  # what is kept once
            return (peak(do, many) - peak(do, few)) / 200

        whole = each(lambda scan: tuple(scan.findings))
        assert 2 * each(lambda scan: compare(scan, scan)) < whole
        assert 2 * each(lambda scan: lesson(scan, level=1400, count=9, natures=list(Nature))) < whole
    finally:
        tracemalloc.stop()
