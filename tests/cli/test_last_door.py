"""The last door: an error of ours ends with a line, a file that says where, and an exit code of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from trapscan.cli import main

GOOD = "1. e4 *\n"


def fails(error: Exception) -> object:
    def fail(*_: object, **__: object) -> None:
        raise error

    return fail


def test_an_error_of_ours(
    workplace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    monkeypatch.setenv("TRAPSCAN_STORE", str(tmp_path / "kept"))
    monkeypatch.setattr("trapscan.job.run_scan", fails(KeyError("\x1b[31mred")))
    Path("good.pgn").write_text(GOOD)
    assert main(["scan", "good.pgn"]) == 4
    out, err = capsys.readouterr()
    assert out == "" and err.startswith("trapscan: internal error: KeyError") and err.count("\n") == 1
    assert "\x1b" not in err and "Traceback" not in err
    (written,) = (tmp_path / "kept").glob("trapscan-error-*.txt")
    assert str(written) in err
    text = written.read_text()
    assert text.startswith("Traceback") and "raise error" in text


def test_an_error_whose_place_cannot_be_written(
    workplace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("file").touch()
    monkeypatch.setenv("TRAPSCAN_STORE", "file/below")
    monkeypatch.setattr("tempfile.gettempdir", lambda: "file/too")
    monkeypatch.setattr("trapscan.job.run_scan", fails(ZeroDivisionError("by zero")))
    Path("good.pgn").write_text(GOOD)
    assert main(["scan", "good.pgn"]) == 4
    assert "at test_last_door.py:" in capsys.readouterr().err


def test_no_memory(workplace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setattr("trapscan.job.run_scan", fails(MemoryError()))
    Path("good.pgn").write_text(GOOD)
    assert main(["scan", "good.pgn"]) == 2
    assert "memory is short" in capsys.readouterr().err
