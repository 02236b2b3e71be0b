"""The owner's file comes back as it was, with ours put in, and without ours it is the very same bytes."""

from __future__ import annotations

import gzip
import random
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.repertoire.annotated_cases import at, faults_of, games_of, made_up, ours_in, pgn_extract, shape_of
from tests.repertoire.pgn_cases import random_game, written
from tests.report.sample_scans import make_scan
from trapscan import repertoire
from trapscan.contract import Input, Instead, Prepared, Refutation, SlipKind
from trapscan.pgn import normalize, without_ours
from trapscan.repertoire.annotate import annotate
from trapscan.repertoire.rewrite import annotated_files, write_annotated

DATA = Path(__file__).resolve().parent.parent / "data"
DEMO = Path(repertoire.__file__).resolve().parent.parent / "demo"
FILES = [DEMO / "otter_quay_white.pgn", DEMO / "otter_quay_black.pgn", DATA / "odd.pgn"]
"""The last is made by hand, with the oddities of the trade: escaped lines, comments to the end of a line, CR, LF and CR
LF in one file, Latin-1, tags on one line, nested variations, words that are no moves, games without moves, brackets
that nobody closes."""


def read(folder: Path, *files: bytes) -> repertoire.Repertoire:
    paths = []
    for number, data in enumerate(files):
        paths.append(folder / f"f{number}.pgn")
        paths[-1].write_bytes(data)
    return repertoire.read_files(paths)


def check(folder: Path, files: list[bytes], seed: int, count: int, encoding: str = "utf-8-sig") -> list[bytes]:
    """Everything that must hold, with so many findings made up; returns the annotated files."""
    before = read(folder, *files)
    entries = made_up(before, random.Random(seed), count)
    once = annotate(files, entries)
    assert faults_of(files, once, encoding) == []
    assert annotate(once, entries) == once, "a second run replaces what the first put in"
    assert annotate(once, []) == files, "and nothing else"
    after = read(folder, *once)
    assert (after.games, after.problems) == (before.games, before.problems)
    assert after.forest.codes == before.forest.codes and after.forest.parents == before.forest.parents
    assert (after.forest.comments, after.forest.nags) == (before.forest.comments, before.forest.nags)
    return once


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_files_come_back(tmp_path: Path, path: Path, seed: int) -> None:
    (annotated,) = check(tmp_path, [path.read_bytes()], seed, 40, "latin-1")
    assert ours_in(annotated, "latin-1") >= 30
    if path.name != "odd.pgn":
        assert pgn_extract(annotated) in (None, pgn_extract(path.read_bytes()))


@given(seed=st.integers(0, 2**32), nodes=st.integers(0, 25), games=st.integers(1, 3))
@settings(max_examples=60, deadline=None)
def test_random_trees_come_back(tmp_path_factory: pytest.TempPathFactory, seed: int, nodes: int, games: int) -> None:
    """Random legal moves with comments, NAGs and FEN starts."""
    rng = random.Random(seed)
    text = "\n\n".join(written(random_game(rng, nodes=nodes)) for _ in range(games)) + "\n"
    if not nodes and "FEN" not in text:
        return  # there is nothing to read
    folder = tmp_path_factory.mktemp("trees")
    check(folder, [text.replace("\n", rng.choice(["\n", "\r\n"])).encode()], seed, 12)


def test_each_finding_stands_once_where_its_position_goes_on(tmp_path: Path) -> None:
    """Two games reach one position; the first ends there."""
    one, other = b"1. e4 e5 2. Nf3 Nc6 3. Bc4 *\n", b"1. Nf3 Nc6 2. e4 e5 3. Bc4 Nf6 4. d3 *\n"
    entry = at(read(tmp_path, one, other), "e4 e5 Nf3 Nc6 Bc4", "d6")
    first, second = annotate([one, other], [entry])
    assert first == one
    assert b"Nf6\n({[%trapscan" in second and second.count(b"[%trapscan") == 1


def test_what_goes_where(tmp_path: Path) -> None:
    """A slip that the file answers gets a remark, one that it answers otherwise the refutation; one that ends a line
    stands in the place of itself, one that the file lacks in the place of what it has."""
    data = b"1. e4 e5 2. Nf3 f6 (2... d6 3. d4) 3. Nc3 *"

    def put_in(file: bytes, **changes: Any) -> str:
        refutation = Refutation(san="Nxe5", uci="f3e5", line=("Nxe5", "fxe5", "Qh5+"))
        more = {"kind": SlipKind.TRICK, "why_it_fails": "It loses.", "instead": ()} | changes
        entry = at(read(tmp_path, data), "e4 e5 Nf3", "f6", refutation=refutation, **more)
        return " ".join(annotate([file], [entry])[0].decode().split())

    told = put_in(data, prepared=Prepared(answers=("Nc3",), right=False))
    assert "3. Nc3 ({[%trapscan" in told and "3. Nxe5 $1 fxe5 4. Qh5+) *" in told
    right = put_in(data, prepared=Prepared(answers=("Nc3",), right=True))
    assert "2... f6" not in right and "(2... d6 3. d4) {[%trapscan" in right and right.endswith("[%trapscan]} 3. Nc3 *")
    ends = put_in(b"1. e4 e5 2. Nf3 f6 *")
    assert "f6 ({[%trapscan" in ends and "2... f6 $4 {It loses.} 3. Nxe5 $1 fxe5 4. Qh5+) *" in ends
    missing = put_in(b"1. e4 e5 2. Nf3 Nc6 3. Bb5 *")
    assert "2. Nf3 Nc6 ({[%trapscan" in missing
    assert "2... f6 $4 {It loses.} 3. Nxe5 $1 fxe5 4. Qh5+) 3. Bb5 *" in missing
    stops = put_in(b"1. e4 e5 2. Nf3 *")
    assert "2. Nf3 ({[%trapscan" in stops and "2. Nf3 f6 $4 {It loses.} 3. Nxe5 $1 fxe5 4. Qh5+) *" in stops
    assert "You marked this ??: right, it " in put_in(data, mark="??")
    better = Instead(san="Nc6", uci="b8c6", cp=-20)
    own = put_in(data, kind=SlipKind.UNSOUND, instead=(better,))
    assert "Better than what stands here.} 2... Nc6 {Score -0.20})" in own


def test_the_caution_stands_once(tmp_path: Path) -> None:
    data = FILES[1].read_bytes()
    (out,) = annotate([data], made_up(read(tmp_path, data), random.Random(1), 30))
    assert " ".join(out.decode().split()).count("An engine may not be used during play") == 1


@pytest.mark.parametrize("line_end", [b"\n", b"\r\n", b"\r"])
def test_line_ends_are_those_of_the_file(tmp_path: Path, line_end: bytes) -> None:
    data = FILES[0].read_bytes().replace(b"\n", line_end)
    (out,) = check(tmp_path, [data], 3, 30)
    assert out.count(b"\r\n") == (out.count(b"\n") if line_end == b"\r\n" else 0)
    assert (b"\r" in out) == (b"\r" in line_end) and (b"\n" in out) == (b"\n" in line_end)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_the_encoding_stays(tmp_path: Path, encoding: str) -> None:
    text = '[Event "Zürich, naïve"]\n\n1. e4 {Größe} e5 2. Nf3 (2. f4 {Läufer}) Nc6 *\n'
    data = text.encode(encoding)
    (out,) = check(tmp_path, [data], 5, 20, encoding)
    assert out.startswith(data[:4]) and "Größe" in out.decode(encoding)


def test_damaged_utf_16_comes_back_as_utf_8(tmp_path: Path) -> None:
    data = "1. e4 {x} e5 *".encode("utf-16") + b"\x00\xd8\x20\x00"
    (out,) = annotate([data], made_up(read(tmp_path, data), random.Random(1), 5))
    assert without_ours(out) == normalize(data)


def test_another_program_has_saved_it(tmp_path: Path) -> None:
    """python-chess joins comments and breaks lines anew; still only ours goes."""
    data = (
        b'[Event "x"]\n\n1. e4 {one} (1. d4 {two} d5) {three} 1... e5 {four} 2. Nf3 {five} (2. f4) {six} f6 '
        b"{seven} 3. Nxe5 {eight} *\n"
    )
    for seed in range(20):
        entries = made_up(read(tmp_path, data), random.Random(seed), 12)
        (out,) = annotate([data], entries)
        saved = "\n\n".join(game.accept(chess.pgn.StringExporter(columns=40)) for game in games_of(out))
        assert "[%trapscan" in saved
        kept = without_ours(saved.encode())
        assert b"trapscan" not in kept
        assert list(map(shape_of, games_of(kept))) == list(map(shape_of, games_of(data)))


def test_the_report_folder_holds_all_that_is_needed(tmp_path: Path) -> None:
    """Written beside a report, and again from the folder alone: packed files, several files, a changed one."""
    texts = [path.read_bytes() for path in FILES[:2]]
    paths = [tmp_path / "a b.pgn", tmp_path / "c.pgn.gz", tmp_path / "list.txt"]
    paths[0].write_bytes(texts[0])
    paths[1].write_bytes(gzip.compress(texts[1]))
    paths[2].write_text("e4 e5 Nf3\n")
    before = repertoire.read_files(paths)
    entries = made_up(before, random.Random(2), 60)
    scan = make_scan((), input=Input(files=before.files, games=1, positions=1, merged=0))
    out = tmp_path / "out"
    written_files = write_annotated(scan, entries, out, paths)
    assert [path.name for path in written_files] == ["annotated-1-a-b.pgn", "annotated-2-c-pgn.pgn"]
    first = [path.read_bytes() for path in written_files]
    assert [without_ours(data) for data in first] == texts and all(map(ours_in, first))
    assert write_annotated(scan, entries, out, annotated_files(scan, out)) == written_files
    assert [path.read_bytes() for path in written_files] == first
    written_files[0].write_bytes(first[0].replace(b"1. e4", b"1. d4", 1))
    assert write_annotated(scan, [], out, annotated_files(scan, out)) == written_files[1:], "not what was scanned"
    assert written_files[1].read_bytes() == texts[1]
