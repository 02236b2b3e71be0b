"""The options of a scan: what the command line takes is what a request holds, each declared once."""

from __future__ import annotations

import argparse
import inspect
import re
import tomllib
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import pytest

import trapscan.cli.options
from trapscan.cli.options import add_options, request_of
from trapscan.cli.parser import build_parser
from trapscan.errors import InputError, SettingsError
from trapscan.job import estimate_scan, scan
from trapscan.request import ScanRequest, option, options
from trapscan.settings import Settings, build, load

GIVEN: dict[str, tuple[list[str], Any]] = {
    "files": (["b.txt"], [Path("a.pgn"), Path("b.txt")]),
    "side": (["--side", "white"], "white"),
    "plies": (["--plies", "12"], 12),
    "level": (["--level", "1800"], 1800),
    "time_control": (["--time-control", "5400+30"], "5400+30"),
    "engine": (["--engine", "stockfish -x"], "stockfish -x"),
    "second_engine": (["--second-engine", "./other"], "./other"),
    "preset": (["--preset", "quick"], "quick"),
    "beyond": (["--beyond", "0"], 0),
    "baits": (["--baits"], True),
    "settings": (
        ["--set", "threshold=0.15", "--set", "levels=[1000, 2000]"],
        {"threshold": 0.15, "levels": [1000, 2000]},
    ),
    "games": (["--games", "a.pgn", "b.bin", "--games", "c.gz"], [Path("a.pgn"), Path("b.bin"), Path("c.gz")]),
    "player": (["--player", "Otter, O.", "--games", "a.pgn"], "Otter, O."),
    "jobs": (["--jobs", "2"], 2),
    "cluster": (["--cluster", "tcp://host:8786"], "tcp://host:8786"),
    "minutes": (["--minutes", "2.5"], 2.5),
    "title": (["--title", "Bishop's opening"], "Bishop's opening"),
    "store": (["--store", "s.db"], Path("s.db")),
}


def asked(*words: str, command: str = "scan") -> ScanRequest:
    return request_of(build_parser().parse_args([command, "a.pgn", *words]))


@pytest.mark.parametrize("command", ["scan", "estimate"])
@pytest.mark.parametrize(("name", "option"), options())
def test_each_option_reaches_the_request(
    name: str, option: Any, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    words, value = GIVEN[name]
    assert getattr(asked(*words, command=command), name) == value
    with pytest.raises(SystemExit):
        build_parser().parse_args([command, "--help"])
    told = " ".join(capsys.readouterr().out.split())
    assert option.help.replace("%%", "%")[:30] in told and option.metavar in told


def test_what_is_not_given_is_as_in_the_library() -> None:
    assert asked() == ScanRequest([Path("a.pgn")])


def test_the_library_takes_the_same() -> None:
    for function in (scan, estimate_scan):
        assert inspect.signature(function).parameters == inspect.signature(ScanRequest).parameters
        assert function.__doc__


def test_options_that_are_settings_stand_above_the_preset() -> None:
    request = asked("--level", "1800", "--set", "level=1200", "--set", "threshold=0.2", "--beyond", "0")
    assert request.overrides() == {"level": 1800, "threshold": 0.2, "beyond": 0}
    assert {name for name, option in options() if option.setting} <= set(Settings.__struct_fields__)
    assert asked().overrides() == {}


@pytest.mark.parametrize(
    ("words", "error"),
    [
        (["--set", "threshold"], SettingsError),
        (["--set", "juggle=1"], SettingsError),
        (["--player", "Otter, O."], InputError),
    ],
)
def test_what_does_not_go_together(words: list[str], error: type[Exception]) -> None:
    with pytest.raises(error) as told:
        asked(*words)
    assert "\n" not in str(told.value)


@pytest.mark.parametrize(
    "wrong",
    [
        ["--level", "high"],
        ["--jobs", "2", "--cluster", "tcp://x"],
        ["--quiet", "--json"],
        ["--juggle"],
    ],
)
def test_what_the_command_line_refuses(wrong: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end:
        asked(*wrong)
    assert end.value.code == 2 and wrong[0] in capsys.readouterr().err


def test_the_library_refuses_the_same() -> None:
    with pytest.raises(InputError, match="either jobs or cluster"):
        ScanRequest("a.pgn", jobs=2, cluster="tcp://x")
    with pytest.raises(InputError, match="side 'red'"):
        ScanRequest("a.pgn", side="red")
    with pytest.raises(InputError, match="no chapters"):
        ScanRequest("a.pgn", side="5-3=white")
    assert ScanRequest("a.pgn", side="black,2-3=white, 5=both").sides() == {
        0: "black",
        2: "white",
        3: "white",
        5: "both",
    }


@pytest.mark.parametrize(("control", "seconds"), [("600+0", 600), ("180+2", 260), ("0+30", 1200), ("5400+30", 6600)])
def test_a_time_control_is_thinking_time_over_forty_moves(control: str, seconds: int) -> None:
    assert build({"time_control": control}).seconds == seconds


@pytest.mark.parametrize("wrong", ["rapid", "600", "10+0 min", "-60+1", "0+0", "1e3+0", "40/5400:900", "\u0661+1"])
def test_what_is_no_time_control_is_refused(wrong: str) -> None:
    with pytest.raises(SettingsError, match=r"SECONDS\+INCREMENT, for example 600\+0"):
        build({"time_control": wrong})


def test_one_file_needs_no_list() -> None:
    for files in ("a.pgn", Path("a.pgn"), ["a.pgn"]):
        assert ScanRequest(files).paths == (Path("a.pgn"),)


def test_a_new_option_is_one_field(monkeypatch: pytest.MonkeyPatch) -> None:
    """Declared in a request, it is on the command line, in its help, and in the request that comes of it."""

    @dataclass(frozen=True)
    class More(ScanRequest):
        hours: float | None = option(None, "end by itself after so many hours", "N")

    (new,) = [field for field in fields(More) if field.name == "hours"]
    monkeypatch.setattr(trapscan.cli.options, "ScanRequest", More)
    monkeypatch.setattr(trapscan.cli.options, "options", lambda: [*options(), ("hours", new.metadata["option"])])
    parser = argparse.ArgumentParser()
    add_options(parser)
    assert "--hours N" in parser.format_help() and "after so many hours" in parser.format_help()
    request = request_of(parser.parse_args(["a.pgn", "--hours", "2.5"]))
    assert isinstance(request, More) and request.hours == 2.5


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("stakes=[{chance=0, least=200, most=200}]", "`stakes` is called `budgets` now"),
        ("noise_fall=0.4", "`noise_fall` is called `noise_exponent` now"),
        ("side_nodes=3000", "`side_nodes` is called `refutation_nodes` now"),
        (
            "budgets=[{chance=0, least=200, most=200, clear=1.0}]",
            "`clear`, which is called `sigmas` now",
        ),
    ],
)
def test_a_setting_s_old_name_is_answered_with_the_new_one(old: str, new: str) -> None:
    with pytest.raises(SettingsError, match=re.escape(new)):
        load("standard", tomllib.loads(old))


def test_the_standard_preset_is_what_holds_without_one() -> None:
    assert load("standard") == Settings()


@pytest.mark.parametrize("preset", ["quick", "standard"])
def test_what_hardly_anybody_plays_gets_a_glance(preset: str) -> None:
    chosen = load(preset)
    assert chosen.budget(0.0099).most <= 4_000 < chosen.budget(0.01).most <= chosen.budget(0.5).most
    assert load("deep").budget(0.0099).most > 4_000
