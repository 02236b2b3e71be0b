"""The scanner's own promises: blocks of any size give the same games, nothing is passed over without a word, and each
token's place is told; damaged files and files without end cost little memory."""

from __future__ import annotations

import bz2
import gzip
import random
import re
import tracemalloc
from collections.abc import Callable, Iterator
from itertools import chain, repeat
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.repertoire.pgn_cases import random_game, written
from trapscan.errors import InputError
from trapscan.pgn import Scanner, Tags, UnpacksTooFar, blocks, cut, normalize, parts_of, read_all, scanner, source
from trapscan.pgn.scanner import MAX_COMMENT_BYTES

SCRAPS = (
    b'[Event "x"]\n\n1. e4 e5 *\n\n',
    b"1. d4 d5 1-0\n",
    b"\n\n",
    b"\r\r\n",
    b"{",
    b"}",
    b"; to the end of the line",
    b'\n% escaped [Event "no"]\n',
    b"( ",
    b" )",
    b"$3",
    b"[%clk 0:05:00]",
    b"[",
    b'[White "not closed\n',
    b'[Site "C:\\"]',
    b"1.",
    b" 1. e4",
    b"*",
    b" word",
    b'{a comment [Event "in it"]\n\n more}',
    b" " * 700,
    b"x" * 900,
    b'\n\n[Event "after a blank line"]\n',
)


class Listing:
    """A sink that writes everything down."""

    def __init__(self, *, exact: bool) -> None:
        self.exact = exact
        self.games: list[tuple[Tags, list[bytes]]] = []
        self.places: list[tuple[int, bytes]] = []
        self.passed: list[str] = []

    def begin(self, tags: Tags) -> None:
        self.games.append((tags, []))

    def take(self, tokens: list[bytes], starts: list[int]) -> None:
        self.games[-1][1].extend(tokens)
        if self.exact:
            assert len(tokens) == len(starts)
            self.places += zip(starts, tokens, strict=True)

    def end(self) -> None:
        pass

    def passed_over(self, text: str) -> None:
        self.passed.append(text)


def listed(pieces: Iterator[bytes], *, exact: bool = True) -> Listing:
    sink = Listing(exact=exact)
    Scanner(sink).read(pieces)
    return sink


def random_file(seed: int) -> bytes:
    """Games as python-chess writes them, in lines of any length, with scraps strewn in."""
    rng = random.Random(seed)
    parts = []
    for _ in range(rng.randint(1, 25)):
        parts.append(written(random_game(rng, nodes=rng.randint(0, 40))).encode() + b"\n\n")
        if rng.random() < 0.2:
            parts[-1] = parts[-1].replace(b"\n\n", b"  ") + b"\n\n"
    data = bytearray(b"".join(parts))
    for _ in range(rng.choice((0, 0, 3, 12))):
        at = rng.randrange(len(data) + 1)
        data[at:at] = rng.choice(SCRAPS)
    return bytes(data).replace(b"\n", rng.choice((b"\n", b"\n", b"\r\n", b"\r")))


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32), block=st.integers(2_500, 9_000))
def test_blocks_of_any_size_give_the_same(seed: int, block: int) -> None:
    data = random_file(seed)
    whole = listed(iter([data]))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(source, "BLOCK", block)
        pieces = list(cut(data))
        assert b"".join(pieces) == data
        parted = listed(iter(pieces))
    assert parted.games == whole.games
    assert parted.places == whole.places
    assert parted.passed == whole.passed


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_a_sink_that_wants_no_comments_has_the_same_words(seed: int) -> None:
    data = random_file(seed)
    exact, plain = (listed(iter([data]), exact=exact) for exact in (True, False))

    def words(games: list[tuple[Tags, list[bytes]]]) -> list[tuple[Tags, list[bytes]]]:
        return [(tags, [token for token in tokens if token[0] not in b"{;$"]) for tags, tokens in games]

    assert words(plain.games) == words(exact.games)
    assert plain.passed == exact.passed


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_every_token_stands_where_it_is_said_to_and_nothing_else_is_left(seed: int) -> None:
    """What is neither token nor tag nor blank is a result, an escaped line or a heading, or is named as passed over:
    whoever puts something in between can give back the rest byte for byte."""
    data = bytearray(random_file(seed))
    sink = listed(iter([bytes(data)]))
    assert sink.places == sorted(sink.places)
    for start, token in sink.places:
        assert data[start : start + len(token)] == token
        data[start : start + len(token)] = b" " * len(token)
    if not sink.passed:
        left = [line for line in data.replace(b"\r", b"\n").split(b"\n") if line.strip() and line[:1] != b"%"]
        for tags, _ in sink.games:
            for name, value in tags:
                tag = b'[%b "%b"]' % (name, value)
                at = next(i for i, line in enumerate(left) if tag in line)
                left[at] = left[at].replace(tag, b"", 1)
        rest = re.sub(rb"\{[^}]*\}|;[^\n]*|\$[0-9]*", b" ", b"\n".join(left)).split()  # headings between games
        assert set(rest) <= {b"*", b"1-0", b"0-1", b"1/2-1/2"}, rest


# --- parts of a file -------------------------------------------------------------------------------------------------


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 2**32), size=st.integers(1, 5_000))
def test_parts_of_a_file_give_the_same_games(tmp_path_factory: pytest.TempPathFactory, seed: int, size: int) -> None:
    path = tmp_path_factory.getbasetemp() / "parts.pgn"
    path.write_bytes(random_file(seed))
    whole = listed(blocks((path, 0, 0)))
    games = [game for part in parts_of(path, size) for game in listed(blocks(part)).games]
    assert games == whole.games


def test_a_file_of_usual_games_has_many_parts(tmp_path: Path) -> None:
    path = tmp_path / "usual.pgn"
    path.write_bytes(b'[Event "x"]\n[Site "y"]\n\n1. e4 { [%clk 0:05:00] } e5 *\n\n' * 1_000)
    assert len(parts_of(path, 1_000)) > 50
    packed = tmp_path / "usual.pgn.gz"
    packed.write_bytes(gzip.compress(path.read_bytes()))
    assert parts_of(packed, 10) == [(packed, 0, 0)]


# --- packed files and bombs ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress])
@pytest.mark.parametrize("suffix", [".pgn.gz", ".pgn.bz2", ".pgn"])
def test_a_packed_file_is_known_by_its_content(tmp_path: Path, pack: Callable[[bytes], bytes], suffix: str) -> None:
    data = random_file(11)
    path = tmp_path / f"packed{suffix}"
    path.write_bytes(pack(data))
    assert b"".join(blocks((path, 0, 0))) == normalize(data)
    assert read_all(path, 10**9) == (path.read_bytes(), data)


@pytest.mark.parametrize(
    "data",
    [b"no gzip", gzip.compress(b"1. e4 e5 *" * 500)[:40], b"\x1f\x8b\x08junk" * 9],
    ids=[
        "no gzip",
        "cut",
        "junk",
    ],  # what is packed holds the time: no name for a test
)
def test_a_broken_packed_file_is_one_line(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "x.pgn.gz"
    path.write_bytes(data)
    for read in (lambda: list(blocks((path, 0, 0))), lambda: read_all(path, 1_000)):
        with pytest.raises(InputError, match=r"x\.pgn\.gz") as caught:
            read()
        assert "\n" not in str(caught.value)


def peak(work: Callable[[], object]) -> float:
    """Megabytes that Python took for something at its worst."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1] / 1e6
    finally:
        tracemalloc.stop()


BOMBS = {
    "one line": (b"", b"x" * 250_000, b""),
    "one comment": (b"1. e4 {", b"comment " * 30_000, b"} e5 *"),
    "one game": (b'[Event "x"]\n\n', b"3. e4 e5 4. Nf3 Nc6 " * 12_000, b""),
    "one tag": (b'[Event "', b"x" * 250_000, b'"]'),
    "one variation": (b"1. e4 ", b"(1. d4 " * 35_000, b""),
    "blank lines": (b"", b"\n" * 250_000, b""),
    "quotes": (b'[A "', b'\\"' * 125_000, b""),
}


@pytest.mark.parametrize("name", sorted(BOMBS))
@pytest.mark.parametrize("exact", [True, False])
def test_megabytes_that_are_no_games(name: str, exact: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is held at a time is a block and its tokens, however long the file (`bomb_readers` measures it)."""

    class Nobody(Listing):
        def take(self, tokens: list[bytes], starts: list[int]) -> None:
            assert sum(map(len, tokens)) <= 2 * source.BLOCK
            assert all(len(token) <= MAX_COMMENT_BYTES + 2 for token in tokens if token[:1] == b"{")

    def small(pieces: Iterator[bytes]) -> Iterator[bytes]:
        for piece in pieces:
            assert len(piece) <= 2 * source.BLOCK
            yield piece

    monkeypatch.setattr(scanner, "MAX_GAME_BYTES", 1 << 20)
    sink = Nobody(exact=exact)
    first, again, last = BOMBS[name]
    Scanner(sink).read(small(source.cut_pieces(chain([first], repeat(again, 9), [last]))))
    if name in ("one game", "one variation"):
        assert sink.passed == ["the game is longer than 1 MiB: its rest is passed over"]


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress])
def test_a_packed_bomb_is_left_early(tmp_path: Path, pack: Callable[[bytes], bytes]) -> None:
    path = tmp_path / "bomb.pgn.gz"
    path.write_bytes(pack(b"0" * 100_000_000))

    def read() -> None:
        with pytest.raises(UnpacksTooFar, match="200 times"):
            for _ in blocks((path, 0, 0)):
                pass

    assert peak(read) < 20
