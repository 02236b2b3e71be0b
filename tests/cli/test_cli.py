"""The command line, in this process: exit codes, what goes to which stream, and where files are written."""

from __future__ import annotations

import argparse
import json
import shlex
import signal
import sys
from pathlib import Path

import jsonschema
import pytest

from trapscan.cli import main
from trapscan.cli.parser import build_parser
from trapscan.report import read_scan, scan_schema
from trapscan.report.files import FORMS

FAKE = Path(__file__).parent.parent / "engines" / "fake_uci.py"
REPORT_FILES = {*FORMS, "annotated.pgn"}
GOOD = "1. e4 e5 2. Bc4 Nc6 3. Qh5 Nf6 *\n"


def commands() -> dict[str, argparse.ArgumentParser]:
    (action,) = [a for a in build_parser()._actions if isinstance(a, argparse._SubParsersAction)]
    return dict(action.choices)


def one_line(err: str) -> str:
    """The only line on standard error."""
    (line,) = err.splitlines()
    assert line.startswith("trapscan: ") and "Traceback" not in line
    return line


# --- help ------------------------------------------------------------------------------------------------------------


def test_every_command_has_help_with_examples_that_parse(capsys: pytest.CaptureFixture[str]) -> None:
    assert {"scan", "engines"} <= commands().keys()
    for name in commands():
        with pytest.raises(SystemExit) as end:
            main([name, "--help"])
        out, err = capsys.readouterr()
        assert (end.value.code, err) == (0, "")
        examples = [shlex.split(line) for line in out.partition("examples:")[2].splitlines() if line.strip()]
        assert examples, name
        for words in examples:
            assert words[:2] == ["trapscan", name]
            build_parser().parse_args(words[1:])  # exits when it does not understand


@pytest.mark.parametrize(("arguments", "code"), [(["--help"], 0), (["--version"], 0), ([], 2), (["juggle"], 2)])
def test_usage(arguments: list[str], code: int, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        main(arguments)
    assert end.value.code == code
    out, err = capsys.readouterr()
    assert bool(err) is (code == 2) and bool(out) is (code == 0)


# --- what goes wrong -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    ["missing.pgn", ".", "with\nnewline.pgn", "\x1b[31mred.pgn"],
)
def test_an_unreadable_file(name: str, workplace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["scan", name]) == 2
    out, err = capsys.readouterr()
    assert out == "" and "\x1b" not in one_line(err)
    assert list(workplace.iterdir()) == [], "nothing is written"


@pytest.mark.parametrize(
    "setting", ["juggle=3", "threshold=7", "threshold=high", "budgets=[{chance=0.5, least=100, most=200}]", "threshold"]
)
def test_an_unknown_or_impossible_setting(setting: str, workplace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("good.pgn").write_text(GOOD)
    assert main(["scan", "good.pgn", "--set", setting]) == 2
    out, err = capsys.readouterr()
    assert out == "" and setting.partition("=")[0] in one_line(err)


def test_an_unknown_preset(workplace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("good.pgn").write_text(GOOD)
    assert main(["scan", "good.pgn", "--preset", "juggle"]) == 2
    assert "juggle" in one_line(capsys.readouterr().err)


@pytest.mark.parametrize("engine", ["./no-such-engine", f"{sys.executable} -I -S {FAKE} exits-at-once"])
def test_no_usable_engine(engine: str, workplace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("good.pgn").write_text(GOOD)
    assert main(["scan", "good.pgn", "--engine", engine, "--store", "store.db"]) == 3
    out, err = capsys.readouterr()
    assert out == "" and one_line(err)
    assert not Path("reports").exists()


def test_an_engine_from_the_environment(
    workplace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("good.pgn").write_text(GOOD)
    monkeypatch.setenv("TRAPSCAN_ENGINE", "./no-such-engine")
    assert main(["scan", "good.pgn"]) == 3
    assert "no-such-engine" in one_line(capsys.readouterr().err)


def test_a_broken_file_is_scanned_and_told(
    options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("broken.pgn").write_text("1. e4 e5 2. Ke3 *\n")
    assert main(["scan", "broken.pgn", *options]) == 1
    out, err = capsys.readouterr()
    assert "broken.pgn" in one_line(err) and "Ke3" in err
    assert "reports/broken" in out
    (problem,) = read_scan("reports/broken").problems
    assert "Ke3" in problem.text


def test_problems_are_told_in_plain_lines(
    options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("\x1b[31mred\n.pgn").write_text("1. e4 \x1b[32mKe3 *\n")
    assert main(["scan", *options, "\x1b[31mred\n.pgn"]) == 1
    out, err = capsys.readouterr()
    assert "\x1b" not in out + err
    assert all(line.startswith("trapscan: ") for line in err.splitlines())


def test_an_estimate_names_the_problems_that_the_scan_names(
    options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("broken.pgn").write_text("1. e4 e5 2. Ke3 *\n")
    Path("games.pgn").write_text('[Event "?"]\n\n1. e4 e5 2. Qh6 *\n')
    for files, code in ((["broken.pgn"], 1), (["broken.pgn", "--games", "games.pgn"], 1), (["games.pgn"], 1)):
        said = []
        for command in ("estimate", "scan"):
            assert main([command, *files, *options]) == code
            said.append([line for line in capsys.readouterr().err.splitlines() if ".pgn, game" in line])
        assert said[0] == said[1] and said[0]
    Path("good.pgn").write_text("1. e4 *\n")
    assert main(["estimate", "good.pgn", *options]) == 0 and capsys.readouterr().err == ""


def test_lines_are_cut_after_so_many_plies(options: list[str], workplace: Path) -> None:
    Path("good.pgn").write_text("1. e4 e5 2. Nf3 Nc6 3. Bb5 *\n")
    assert main(["scan", "good.pgn", "--plies", "2", "--beyond", "0", *options]) == 0
    report = read_scan("reports/good")
    assert (report.input.positions, report.settings["plies"]) == (3, 2)
    assert [tree.moves for tree in report.tree] == ["e4 e5"] and report.chapters[0].positions == 3


@pytest.mark.parametrize("setting", ["level=1800", "beyond=0"])
def test_set_works_for_settings_that_have_their_own_option(
    setting: str, options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("good.pgn").write_text("1. e4 *\n")
    assert main(["scan", "good.pgn", "--json", "--set", setting, *options]) == 0
    name, _, value = setting.partition("=")
    assert json.loads(capsys.readouterr().out)["settings"][name] == int(value)


def test_an_interrupt(workplace: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    def interrupted(*_: object, **__: object) -> None:
        signal.raise_signal(signal.SIGTERM)

    monkeypatch.setattr("trapscan.job.run_scan", interrupted)
    Path("good.pgn").write_text(GOOD)
    assert main(["scan", "good.pgn"]) == 130
    assert "same command" in capsys.readouterr().err


# --- what comes out --------------------------------------------------------------------------------------------------


def test_the_folder_is_complete(options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("good.pgn").write_text(GOOD)
    assert main(["scan", "good.pgn", "--title", "Bishop's opening", *options]) == 0
    out, err = capsys.readouterr()
    folder = Path("reports/good")
    assert {file.name for file in folder.iterdir()} == REPORT_FILES
    assert all(file.stat().st_size > 0 for file in folder.iterdir())
    assert err == "", "no bar where nobody watches"
    assert str(folder / "report.html") in out
    report = read_scan(folder)
    assert report.title == "Bishop's opening"
    assert report.findings, "3...Nf6 at least (common practice: the scholar's mate)"
    assert "Nf6" in {finding.slip.san for finding in report.slips}


def test_the_annotated_file_is_scanned_like_the_plain_one(options: list[str], workplace: Path) -> None:
    chapters = (
        '[Event "Open"]\n\n{Mine} 1. e4 e5 2. Bc4 Nc6 3. Qh5 Nf6? {falls for it} (3... g6 $1) 4. Qxf7# *\n\n',
        '[Event "Queen\'s pawn"]\n\n1. d4 d5 2. c4 dxc4 3. e3 b5 *\n',
    )
    Path("plain.pgn").write_text("".join(chapters))
    quick = ["--beyond", "0", "--set", "verify_nodes=0", *options]
    assert main(["scan", "plain.pgn", "--out", "one", *quick]) == 0
    assert Path("one/annotated.pgn").read_text().count("[%trapscan ") >= 2
    assert main(["scan", "one/annotated.pgn", "--out", "two", *quick]) == 0
    one, two = read_scan("one"), read_scan("two")
    assert (one.findings, one.chapters, one.tree) == (two.findings, two.chapters, two.tree) and one.findings
    assert Path("one/annotated.pgn").read_bytes() == Path("two/annotated.pgn").read_bytes()
    whole = Path("one/annotated.pgn").read_bytes()
    assert main(["report", "one", "--shown", "1", "--chapter", "Open"]) == 0
    few = Path("one/annotated.pgn").read_bytes()
    assert 0 < few.count(b"[%trapscan ") < whole.count(b"[%trapscan ")
    assert main(["report", "one"]) == 0 and Path("one/annotated.pgn").read_bytes() == whole


def test_json_goes_to_standard_output_alone(
    options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("good.pgn").write_text(GOOD)
    assert main(["scan", "good.pgn", "--json", "--out", "here", "--side", "white", "--level", "1800", *options]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    told = json.loads(out)
    jsonschema.validate(told, scan_schema())
    assert (told["side"], told["level"]) == ("white", 1800)
    assert out.encode() == Path("here/scan.json").read_bytes()
    assert not Path("reports").exists()


def test_quiet(options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]) -> None:
    Path("broken.pgn").write_text("1. e4 e5 2. Ke3 *\n")
    assert main(["scan", "broken.pgn", "--quiet", *options]) == 1
    assert capsys.readouterr() == ("", "")


@pytest.mark.parametrize("name", ["...pgn", "..", "-rf ~.pgn", "a;b$(c)`d`\n.pgn", "\u202egnp.pgn", "x" * 200 + ".pgn"])
def test_a_hostile_name_stays_inside_the_reports(
    name: str, options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = workplace.parent / ("..pgn" if name == ".." else name)
    source.write_text("1. e4 *\n")
    assert main(["scan", *options, "--", str(source)]) == 0
    (folder,) = Path("reports").iterdir()
    assert folder.name not in (".", "..") and len(folder.name) <= 60
    assert all(letter.isalnum() or letter in "_-" for letter in folder.name)
    assert {file.name for file in folder.iterdir()} == REPORT_FILES
    assert [entry.name for entry in workplace.iterdir()] == ["reports"]
    out = capsys.readouterr().out
    assert "\u202e" not in out


def test_several_files_make_one_report(options: list[str], workplace: Path) -> None:
    for name in ("one", "two", "three"):
        Path(f"{name}.pgn").write_text("1. e4 *\n")
    assert main(["scan", "one.pgn", "two.pgn", "three.pgn", *options]) == 0
    assert [folder.name for folder in Path("reports").iterdir()] == ["one-and-2-more"]


def test_a_report_that_cannot_be_written(
    options: list[str], workplace: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    Path("good.pgn").write_text("1. e4 *\n")
    Path("reports").write_text("a file where a folder should be")
    assert main(["scan", "good.pgn", *options]) == 2
    assert one_line(capsys.readouterr().err)
