"""Whatever the bytes, a reader returns or raises its own error; bombs stay within the stated limits."""

from __future__ import annotations

import random
import resource
from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from tests.repertoire.pgn_cases import random_game, written
from trapscan import graph, repertoire
from trapscan.errors import RepertoireError, ReportError, SettingsError
from trapscan.repertoire.collect import MAX_COMMENT, MAX_PLY
from trapscan.report.reading import read_scan
from trapscan.settings import load

SCRAPS = st.lists(
    st.sampled_from(
        b'1. e4|e5|(|)|{|}|[|]|$|$1|;|%|\n| |\\|"|--|O-O|*|1-0|Nf3|...|\xff|\x00|\xe2\x99\x98|a8=Q|!?|bm e4;|1.'
        b'|[FEN "|"]|[Variant "Chess960"]|rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1'.split(b"|")
    ),
    max_size=60,
).map(b"".join)
SUFFIXES = st.sampled_from([".pgn", ".epd", ".txt", ""])


def reads_or_refuses(folder: Path, data: bytes, suffix: str) -> None:
    path = folder / f"x{suffix}"
    path.write_bytes(data)
    try:
        result = repertoire.read_files([path])
    except RepertoireError as exc:
        assert "\n" not in str(exc) and len(str(exc)) < 300
    else:
        assert all("\n" not in problem.text for problem in result.problems)
        built = graph.build(result)
        for position in built.positions[:20]:
            assert position.board().epd() == position.epd


@settings(max_examples=150, deadline=None)
@given(data=st.binary(max_size=300) | SCRAPS, suffix=SUFFIXES)
@example(data=b"\xff\xfe\x00", suffix="")
@example(data=b'[Event "', suffix=".pgn")
@example(data=b"((((", suffix=".pgn")
def test_any_bytes(tmp_path_factory: pytest.TempPathFactory, data: bytes, suffix: str) -> None:
    reads_or_refuses(tmp_path_factory.getbasetemp(), data, suffix)


@settings(max_examples=100, deadline=None)
@given(seed=st.integers(0, 2**32), cuts=st.lists(st.tuples(st.floats(0, 1), st.binary(max_size=3)), max_size=6))
def test_damaged_games(tmp_path_factory: pytest.TempPathFactory, seed: int, cuts: list[tuple[float, bytes]]) -> None:
    data = bytearray(written(random_game(random.Random(seed), nodes=25)).encode())
    for place, scrap in cuts:
        at = int(place * len(data))
        data[at : at + 2] = scrap
    reads_or_refuses(tmp_path_factory.getbasetemp(), bytes(data), ".pgn")


@settings(max_examples=150, deadline=None)
@given(
    data=st.binary(max_size=200)
    | st.lists(
        st.sampled_from(
            [b"budgets = ", b"[1, 2]", b"level=1500\n", b"'", b'"', b"{", b"[a]\n", b"beyond = -1\n", b"nan\n"]
        )
    ).map(b"".join)
)
@example(data=b"level = 99999999999999999999999\n")
@example(data=b"threshold = nan\n")
@example(data=b"a = " + b"[" * 5000)
def test_any_settings_file(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "s.toml"
    path.write_bytes(data)
    try:
        chosen = load(str(path))
    except SettingsError as exc:
        assert str(exc)
    else:
        assert 0.01 <= chosen.threshold <= 0.9


@settings(max_examples=100, deadline=None)
@given(data=st.binary(max_size=200) | st.text('{}[]",:0123456789eE.-schema trpnu\\', max_size=100).map(str.encode))
@example(data=b'{"schema": "trapscan.scan/1"}')
@example(data=b"[" * 100_000)
@example(data=b'{"a":' * 100_000)
def test_any_report(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = tmp_path_factory.getbasetemp() / "scan.json"
    path.write_bytes(data)
    with pytest.raises(ReportError):
        read_scan(path)


# --- bombs, at a tenth of the size that fuzz_readers --bombs uses ---------------------------------------------


def bounded(folder: Path, data: bytes, megabytes: int = 64) -> repertoire.Repertoire:
    """The file read, with a bound on what the memory of this process grows by."""
    path = folder / "bomb.pgn"
    path.write_bytes(data)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    result = repertoire.read_files([path])
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024 < megabytes
    return result


def test_variations_nested_100_000_deep(tmp_path: Path) -> None:
    moves = [("Nf3", "Nc3 Nf6"), ("Nf3", "Nb1 Ng8")]
    text = " ".join(f"{main} ({' '.join(other.split())}" for main, other in (moves[i % 2] for i in range(100_000)))
    result = bounded(tmp_path, f"{text} {')' * 100_000} *".encode())
    assert len(result.forest) == 1 + MAX_PLY + MAX_PLY // 2
    assert [problem.text for problem in result.problems] == [f"the line is cut after {MAX_PLY} plies"]


def test_a_replacement_of_a_replacement_100_000_deep(tmp_path: Path) -> None:
    result = bounded(tmp_path, b"1. e4 " + b"(1. d4 " * 100_000 + b")" * 100_000 + b" e5 *")
    assert (len(result.forest), result.problems) == (4, ())


def test_long_comment_line_and_tag(tmp_path: Path) -> None:
    result = bounded(tmp_path, b"1. e4 {" + b"x" * 10_000_000 + b"} e5 *")
    assert len(result.forest.comments[1]) == MAX_COMMENT and len(result.forest) == 3
    result = bounded(tmp_path, b"Nf3 Nf6 Ng1 Ng8 " * 25_000)
    assert len(result.forest) == MAX_PLY + 1
    result = bounded(tmp_path, b'[Event "' + b"x" * 1_000_000 + b'"]\n\n1. e4 *')
    assert len(result.games[0].name) == 120
    assert [problem.text for problem in result.problems] == ["tag Event is cut after 1,000 bytes"]


def test_many_nags_and_many_games(tmp_path: Path) -> None:
    assert bounded(tmp_path, b"1. e4 " + b"$1 " * 300_000 + b"e5 *").forest.nags == {1: (1,)}
    result = bounded(tmp_path, b'[Event "g"]\n\n1. e4 e5 *\n\n' * 20_000)
    built = graph.build(result)
    assert (built.games, len(built.positions), built.merged) == (20_000, 3, 3 * 19_999)


def test_a_file_larger_than_the_limit(tmp_path: Path) -> None:
    path = tmp_path / "big.pgn"
    with path.open("wb") as file:
        file.truncate(repertoire.MAX_FILE_BYTES + 1)
    with pytest.raises(RepertoireError, match="larger than 256 MiB"):
        repertoire.read_files([path])
