"""Doors are tried before anything is spent, and what is refused is told in the user's terms."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from trapscan.cli import main
from trapscan.errors import SettingsError
from trapscan.report.files import FORMS
from trapscan.settings import load

GOOD = "1. e4 *\n"


@pytest.fixture
def no_engine(workplace: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A place with a repertoire, where no engine may be started or measured."""

    def started(*_: object, **__: object) -> None:
        raise AssertionError("an engine was started")

    monkeypatch.setattr("trapscan.engines.measure.measure", started)
    monkeypatch.setattr("trapscan.engines.process.EngineProcess.__init__", started)
    monkeypatch.setattr("trapscan.engines.probing.shipped", started)
    Path("good.pgn").write_text(GOOD)
    return workplace


def refused(words: list[str], capsys: pytest.CaptureFixture[str], code: int = 2) -> str:
    """The line that a command ends with."""
    assert main(words) == code
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and err.startswith("trapscan: "), (out, err)
    return err


# --- before the first node -------------------------------------------------------------------------------------------


def test_a_folder_that_is_a_link_to_nowhere(no_engine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("link").symlink_to("nowhere")
    assert "cannot write link" in refused(["scan", "good.pgn", "--out", "link"], capsys)


@pytest.mark.parametrize("name", [*FORMS, "annotated.pgn", "annotated-1-good.pgn"])
def test_a_form_whose_place_is_taken_by_a_folder(
    name: str, no_engine: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("out", name).mkdir(parents=True)
    assert name in refused(["scan", "good.pgn", "--out", "out"], capsys)


def test_the_forms_are_those_that_are_written(options: list[str], workplace: Path) -> None:
    Path("good.pgn").write_text(GOOD)
    assert main(["scan", "good.pgn", "--out", "out", *options]) == 0
    assert {path.name for path in Path("out").iterdir()} == {*FORMS, "annotated.pgn"}


def test_a_full_disk(no_engine: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("shutil.disk_usage", lambda path: SimpleNamespace(free=1000))
    assert "free space" in refused(["scan", "good.pgn"], capsys)
    assert not Path("reports").exists()


def test_a_store_that_cannot_be_opened(no_engine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "--store" in refused(["scan", "good.pgn", "--store", "good.pgn/below"], capsys)
    assert "TRAPSCAN_STORE" not in refused(["scan", "good.pgn", "--store", "good.pgn"], capsys)
    assert "--store" in refused(["chance", "e4", "--engine", "embedded", "--store", "good.pgn/below"], capsys)


@pytest.mark.parametrize("name", ["\U0001f98a" * 60, "x" * 250])
def test_long_names(name: str, options: list[str], workplace: Path) -> None:
    Path(f"{name[:60]}.pgn").write_text(GOOD)
    assert main(["scan", f"{name[:60]}.pgn", *options]) == 0
    assert main(["scan", f"{name[:60]}.pgn", "--out", name[: 240 // len(name[0].encode())], *options]) == 0


@pytest.mark.parametrize("name", ["x" * 400, "/".join(["x" * 200] * 30)])
def test_names_that_are_too_long(name: str, no_engine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "too long" in refused(["scan", "good.pgn", "--out", name], capsys)
    assert [path.name for path in no_engine.iterdir()] == ["good.pgn"]


def test_words_of_an_engine_s_command_and_options_are_no_paths(
    options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("good.pgn").write_text(GOOD)
    engine = f"{options[1]} {'x' * 400}"
    code = main(["scan", "good.pgn", *options, "--engine", engine, "--set", f"engine_options={{Style='{'y' * 400}'}}"])
    assert code == 3 and "internal" not in capsys.readouterr().err


def test_a_name_is_shown_in_plain(options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("good.pgn").write_text(GOOD)
    assert main(["scan", "good.pgn", "--out", "\x1b[31m", *options]) == 0
    with pytest.raises(SystemExit):
        main(["scan", "good.pgn", "--\x1b[31m"])
    out, err = capsys.readouterr()
    assert "\x1b" not in out + err


# --- what may be asked for -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("jobs", ["-5", "0", "1000"])
def test_how_many_jobs(jobs: str, no_engine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "jobs: a number from 1 to 512" in refused(["scan", "good.pgn", "--jobs", jobs], capsys)


@pytest.mark.parametrize("words", [["scan", "good.pgn"], ["estimate", "good.pgn"], ["chance", "e4"]])
@pytest.mark.parametrize("level", ["0", "5", "2601", "99999"])
def test_levels(words: list[str], level: str, no_engine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert refused([*words, "--level", level], capsys) == f"trapscan: level {level} is none between 600 and 2600\n"


def test_what_a_setting_cannot_be_is_told_by_its_name(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"^setting `beyond`: expected `int` <= 20$"):
        load("standard", {"beyond": 99})
    with pytest.raises(SettingsError, match=r"^setting `levels\[0\]`: "):
        load("standard", {"levels": [5]})
    own = tmp_path / "own.toml"
    own.write_text("beyond = 99\n")
    with pytest.raises(SettingsError, match=rf"^settings in '{own}': `beyond`: expected `int` <= 20$"):
        load(str(own))


def test_a_settings_file_without_end(no_engine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "larger than 256 KiB" in refused(["scan", "good.pgn", "--preset", "/dev/zero"], capsys)


def test_a_player_without_a_name(no_engine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "without a name" in refused(["scan", "good.pgn", "--games", "good.pgn", "--player", ""], capsys)


def test_the_same_games_twice(no_engine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A copy too: what counts is what the file holds."""
    Path("copy.pgn").write_text(GOOD)
    assert "given twice" in refused(["scan", "good.pgn", "--games", "good.pgn", "copy.pgn"], capsys)


def test_an_engine_with_a_long_name(workplace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("good.pgn").write_text(GOOD)
    assert "not found" in refused(["scan", "good.pgn", "--engine", "x" * 300], capsys, code=3)


def test_a_null_move_is_no_line(workplace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert "null move" in refused(["chance", "e4 e5 --"], capsys)


def test_a_line_may_be_longer_than_a_name(workplace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["chance", " ".join(["Nf3 Nf6 Ng1 Ng8"] * 40), "--level", "1500"]) == 0


def test_a_file_of_lines_is_bounded_and_of_any_encoding(
    workplace: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    Path("lines").write_text("# für alle\ne4 e5\n", encoding="utf-16")
    assert main(["chance", "lines", "--level", "1500"]) == 0
    capsys.readouterr()
    monkeypatch.setattr("trapscan.cli.commands.MOST_BYTES", 8)
    assert "larger than" in refused(["chance", "lines"], capsys)


@pytest.mark.skipif(sys.platform != "linux", reason="limits memory as on Linux")
def test_a_small_file_needs_little_memory(options: list[str], workplace: Path) -> None:
    """Under 400 MB of address space the net itself cannot be loaded: what is asked of the reader alone."""
    Path("good.pgn").write_text(GOOD)
    script = (
        "from pathlib import Path; from trapscan import repertoire; import resource; import sys; "
        f"resource.setrlimit(resource.RLIMIT_AS, ({400_000 * 1024}, {400_000 * 1024})); "
        "print(len(repertoire.read_files([Path('good.pgn')]).games))"
    )
    ended = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert ended.stdout == "1\n", ended.stderr


# --- what another program made ---------------------------------------------------------------------------------------


def test_a_newer_store(no_engine: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with sqlite3.connect("newer") as db:
        db.execute(f"PRAGMA application_id = {0x74726170}")
        db.execute("PRAGMA user_version = 7")
        db.execute("CREATE TABLE things (x)")
    db.close()
    before = Path("newer").read_bytes()
    assert "newer trapscan" in refused(["scan", "good.pgn", "--store", "newer"], capsys)
    assert Path("newer").read_bytes() == before and not list(Path().glob("newer.*"))


def test_a_cluster_without_certificates(
    options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pytest.importorskip("distributed")
    Path("good.pgn").write_text(GOOD)
    words = [word for word in options if word not in ("--jobs", "1")]
    code = main(["scan", "good.pgn", "--cluster", "tls://127.0.0.1:9", *words, "--store", "own"])
    err = capsys.readouterr().err
    assert code == 2 and err.count("\n") == 1 and "certificates" in err
