"""Finding engines, and every way a user may name one."""

from __future__ import annotations

import os
import pickle
import sys
from pathlib import Path

import pytest

from trapscan.engines import Engine, EngineSpec, Probe, choose, discover
from trapscan.engines.embedded import embedded
from trapscan.errors import NoEngineError
from trapscan.model import Query

START = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq -"
FAKE = Path(__file__).with_name("fake_uci.py")
FACTS = Probe(name="Fake 1.0", nps=1_000_000)

posix = pytest.mark.skipif(os.name != "posix", reason="scripts with an interpreter line")


def program(path: Path, text: str = "") -> Path:
    """An executable script; by default it runs the scripted engine with its own arguments."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text or f'#!/bin/sh\nexec "{sys.executable}" "{FAKE}" "${{1:-good}}"\n')
    path.chmod(0o755)
    return path


def answers(spec: EngineSpec) -> bool:
    with Engine(spec, FACTS, patience=10) as engine:
        return engine.evaluate(Query(START, 1000)).best.pv[0] == "e2e4"


@posix
def test_a_path_with_spaces_with_and_without_arguments(tmp_path: Path) -> None:
    path = program(tmp_path / "my engines" / "very strong engine")
    assert choose(str(path)).command == (str(path),)
    assert choose(f"{path} good --fast").command == (str(path), "good", "--fast")
    assert choose(f"'{path}' 'two words'").command == (str(path), "two words")
    assert answers(choose(f"{path} good"))


@posix
def test_a_relative_path_and_its_own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = program(tmp_path / "bin" / "engine")
    monkeypatch.chdir(tmp_path)
    spec = choose("bin/engine")
    assert spec.command == (str(path),)
    assert spec.cwd == str(tmp_path / "bin")
    monkeypatch.chdir("/")
    assert answers(spec)


@posix
def test_an_engine_finds_files_beside_it(tmp_path: Path) -> None:
    script = f'#!/bin/sh\n[ -f net.bin ] || exit 9\nexec "{sys.executable}" "{FAKE}" good\n'
    path = program(tmp_path / "engine", script)
    (tmp_path / "net.bin").write_bytes(b"weights")
    assert answers(choose(str(path)))


def test_an_interpreter_with_a_script(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(FAKE.parent)
    spec = choose(f'"{sys.executable}" fake_uci.py good')
    assert spec.command == (sys.executable, str(FAKE), "good")
    assert spec.name == "fake_uci"
    monkeypatch.chdir(tmp_path)
    assert answers(spec)


@posix
def test_a_home_folder_and_a_name_in_the_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = program(tmp_path / "engine-of-mine")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert choose("~/engine-of-mine").command == (str(path),)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert choose("engine-of-mine").command == (str(path),)
    assert choose("engine-of-mine good").command == (str(path), "good")


@posix
def test_nothing_is_expanded_as_a_shell_would(tmp_path: Path) -> None:
    path = program(tmp_path / "engine", f'#!/bin/sh\necho "$@" > "{tmp_path}/seen"\n')
    spec = choose(f"{path} $HOME ; touch {tmp_path}/owned `id`")
    assert spec.command[1:] == ("$HOME", ";", "touch", f"{tmp_path}/owned", "`id`")
    with pytest.raises(Exception, match="ended"):
        answers(spec)
    assert not (tmp_path / "owned").exists()
    assert (tmp_path / "seen").read_text().startswith("$HOME ;")


@pytest.mark.parametrize(
    "text",
    ["/no/such/engine", "no-such-engine", "'half a quote", "/no/such --arg", "x" * 300, "x" * 9_000, "a\0b", "~x/y"],
)
def test_what_does_not_exist_is_said(text: str) -> None:
    with pytest.raises(NoEngineError) as caught:
        choose(text)
    assert caught.value.exit_code == 3
    assert len(str(caught.value)) < 500


@posix
def test_what_cannot_be_run_is_said(tmp_path: Path) -> None:
    with pytest.raises(NoEngineError, match="is a folder"):
        choose(str(tmp_path))
    (tmp_path / "plain.txt").write_text("x")
    with pytest.raises(NoEngineError, match="chmod"):
        choose(str(tmp_path / "plain.txt"))


def test_the_embedded_engine_by_name_and_by_variable(monkeypatch: pytest.MonkeyPatch) -> None:
    assert choose("embedded").embedded
    monkeypatch.setenv("TRAPSCAN_ENGINE", "embedded")
    assert choose().embedded
    assert discover()[0].embedded and [spec.embedded for spec in discover()].count(True) == 1


def test_the_option_goes_before_the_variable(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = program(tmp_path / "mine")
    monkeypatch.setenv("TRAPSCAN_ENGINE", "embedded")
    assert choose(str(path)).command[0] == str(path)


@posix
def test_discovery_prefers_the_stronger_and_knows_release_names(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("gnuchess", "toga2", "stockfish-ubuntu-x86-64-avx2", "stockfishing-game", "sjaakii"):
        program(tmp_path / name)
    (tmp_path / "stockfish").write_text("not executable")
    (tmp_path / "glaurung").symlink_to(tmp_path / "toga2")
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("HOME", str(tmp_path / "none"))
    monkeypatch.delenv("TRAPSCAN_ENGINE", raising=False)
    monkeypatch.setattr("trapscan.engines.spec._PLACES_POSIX", ())
    found = discover()
    assert [spec.name for spec in found] == [
        "stockfish-ubuntu-x86-64-avx2",
        *(() if embedded().small else ("embedded",)),
        "toga2",
        "gnuchess",
        "sjaakii",
        *(("embedded",) if embedded().small else ()),
    ]
    by_name = {spec.name: spec for spec in found}
    assert by_name["gnuchess"].command[1:] == ("--uci",)
    assert by_name["sjaakii"].command[1:] == ("-uci",)
    assert choose() == found[0]
    assert choose("gnuchess").command[1:] == ("--uci",)


def test_without_any_engine_the_embedded_one_is_chosen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("TRAPSCAN_ENGINE", raising=False)
    monkeypatch.setattr("trapscan.engines.spec._PLACES_POSIX", ())
    assert choose().embedded
    assert [spec.name for spec in discover()] == ["embedded"]


@pytest.mark.engine
def test_a_stray_module_beside_the_user_is_not_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "sunfish.py").write_text("raise SystemExit('wrong one')")
    monkeypatch.chdir(tmp_path)
    with Engine(choose("embedded"), FACTS, patience=30) as engine:
        assert engine.evaluate(Query(START, 500)).best.pv


def test_specs_travel_between_processes() -> None:
    spec = EngineSpec("x", ("/x", "-a"), "/", (("Tune", 1),))
    assert pickle.loads(pickle.dumps(spec)) == spec
