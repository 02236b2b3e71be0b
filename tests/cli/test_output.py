"""Output apart from work: whatever becomes of what is printed, all is done, and a success of which something was lost
is none. Names and titles of any bytes come through."""

from __future__ import annotations

import contextlib
import io
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from trapscan.cli import main
from trapscan.report import read_scan

GOOD = "1. e4 *\n"


def nobody_reads() -> io.TextIOWrapper:
    """A pipe whose reader has gone, as behind `| head -0`."""
    reader, writer = os.pipe()
    os.close(reader)
    return open(writer, "w", encoding="utf-8")  # noqa: PTH123 - a descriptor


STREAMS: dict[str, Callable[[], io.TextIOWrapper | None]] = {
    "nobody reads": nobody_reads,
    "full": lambda: Path("/dev/full").open("w"),  # noqa: SIM115
    "closed": lambda: None,
}


@pytest.fixture(params=STREAMS)
def lose(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[], None]]:
    """From the call on, standard output takes nothing."""
    if request.param == "full" and not Path("/dev/full").exists():
        pytest.skip("no /dev/full")
    stream = STREAMS[request.param]()
    yield lambda: monkeypatch.setattr(sys, "stdout", stream)
    if stream is not None:
        with contextlib.suppress(OSError):
            stream.close()


@pytest.mark.parametrize("more", [[], ["--json"]])
def test_a_scan_is_finished_but_no_success(
    more: list[str], lose: Callable[[], None], options: list[str], workplace: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    Path("good.pgn").write_text(GOOD)
    lose()
    assert main(["scan", "good.pgn", *more, *options]) == 1
    assert read_scan("reports/good").counters.positions == 2
    assert Path("reports/good/report.html").stat().st_size > 0
    assert "not all could be written to standard output" in capfd.readouterr().err


def test_nothing_is_lost_where_nothing_is_said(
    lose: Callable[[], None], options: list[str], workplace: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    Path("good.pgn").write_text(GOOD)
    lose()
    assert main(["scan", "good.pgn", "--quiet", *options]) == 0
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("words", [["chance", "e4 e5", "--level", "1500"], ["--help"]])
def test_other_commands_end_so_too(words: list[str], lose: Callable[[], None], workplace: Path) -> None:
    lose()
    try:
        code: object = main(words)
    except SystemExit as end:
        code = end.code
    assert code == 1


def test_problems_do_not_fall_into_the_json_where_standard_error_is_closed(
    options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    Path("broken.pgn").write_text("1. e4 e5 2. Ke3 *\n")
    monkeypatch.setattr(sys, "stderr", None)
    assert main(["scan", "broken.pgn", "--json", *options]) == 1
    assert len(json.loads(capsys.readouterr().out)["problems"]) == 1


def test_closed_descriptors_are_nobody_s(workplace: Path) -> None:
    """Else the next file that is opened is standard output to all that write there."""
    script = "import os, sys; from trapscan.cli import main; main(['chance', 'e4', '--level', '1500']); " + (
        "os.open('mine', os.O_CREAT | os.O_RDWR) > 2 or sys.exit(9)"
    )
    ended = subprocess.run(["bash", "-c", f'exec "{sys.executable}" -c "{script}" >&- 2>&- <&-'], check=False)
    assert ended.returncode == 0


# --- narrow encodings, names that are no text ------------------------------------------------------------------------


def test_a_narrow_encoding(options: list[str], workplace: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    Path("good.pgn").write_text(GOOD)
    taken = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(taken, encoding="ascii"))
    assert main(["scan", "good.pgn", "--out", "école", *options]) == 0
    assert b"\\xe9cole" in taken.getvalue()
    assert main(["scan", "good.pgn", "--json", "--title", "école", "--out", "there", *options]) == 0
    assert taken.getvalue().endswith(Path("there/scan.json").read_bytes()), "JSON is UTF-8 everywhere"


@pytest.mark.parametrize(("raw", "shown"), [(b"\xff.pgn", "ÿ"), (b"Pr\xfcfung.pgn", "Prüfung"), ("ü".encode(), "ü")])
def test_a_name_that_is_not_utf_8(
    raw: bytes, shown: str, options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    name = os.fsdecode(raw)
    Path(name).write_text("1. e4 Ke3 *\n")
    title = os.fsdecode(b"Tag der \xd6ffnung")
    assert main(["scan", name, "--title", title, *options]) == 1
    (folder,) = Path("reports").iterdir()
    assert folder.name == shown
    report = read_scan(folder)
    assert report.title == "Tag der Öffnung"
    assert report.input.files[0].name.startswith(shown) and report.problems[0].file.startswith(shown)
    assert shown in capsys.readouterr().err
    assert main(["scan", name, name, "--out", "two", *options]) == 1
    assert read_scan("two").title == f"{shown}, {shown}"


@pytest.mark.parametrize("option", ["--set", "--engine", "--preset", "--store", "--games", "--out"])
def test_other_options_of_any_bytes_end_with_a_line(
    option: str, options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("good.pgn").write_text(GOOD)
    odd = os.fsdecode(b"\xff\xfe")
    value = f'engine_options={{"{odd}"="x"}}' if option == "--set" else odd
    code = main(["scan", "good.pgn", *options, option, value])
    assert code == {"--engine": 3, "--store": 0, "--out": 0}.get(option, 2)
    capsys.readouterr()


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="locales as on Linux")
def test_a_locale_without_letters(options: list[str], workplace: Path) -> None:
    """The plain C locale, in which Python takes every byte above 127 for none of its own."""
    Path("école.pgn").write_text(GOOD)
    Path("zwei.pgn").write_text(GOOD)
    environment = {**os.environ, "LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0"}
    words = ["scan", "école.pgn", "zwei.pgn", "--title", "Schüler", "--out", "für", *options]
    ended = subprocess.run(
        [sys.executable, "-m", "trapscan", *words], env=environment, capture_output=True, text=True, check=False
    )
    assert (ended.returncode, ended.stderr) == (0, "")
    report = read_scan("für")
    assert (report.title, report.input.files[0].name) == ("Schüler", "école.pgn")
    assert Path("für/annotated-1-école.pgn").exists()
    assert "f\\xfcr" in ended.stdout
