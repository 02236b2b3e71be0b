"""Counts from games against python-chess's own readers, and the blend with the model."""

import bz2
import gzip
import io
import os
import random
import struct
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import chess.polyglot
import pytest
from joblib import Parallel, delayed

from trapscan.chance import Evidence, blend, count_games
from trapscan.errors import InputError
from trapscan.pgn import Part


@pytest.fixture(scope="module")
def games() -> list[chess.pgn.Game]:
    """200 games of random moves with variations, comments, clocks, marks; names and ratings differ."""
    random.seed(7)
    out = []
    for number in range(200):
        game = chess.pgn.Game()
        game.headers.update(Event=f"no. {number}", White="Ann" if number % 3 else "Bob", Black="Cy", Result="1-0")
        if number % 4:
            game.headers.update(WhiteElo=str(1000 + number * 5), BlackElo="1500")
        node: chess.pgn.GameNode = game
        for ply in range(24):
            moves = sorted(node.board().legal_moves, key=lambda move: move.uci())
            # few choices at first, so that games meet
            move = random.choice(moves[: 3 if ply < 8 else None])
            if random.random() < 0.1:
                node.add_variation(random.choice(moves), comment="(a {queer} [thing]")
            node = node.add_main_variation(move)
            if random.random() < 0.3:
                node.comment = "[%clk 0:05:00] good ; 1. e4"
            if random.random() < 0.1:
                node.nags.add(2)
        out.append(game)
    return out


@pytest.fixture
def path(games: list[chess.pgn.Game], tmp_path: Path) -> Path:
    file = tmp_path / "games.pgn"
    file.write_text("\n\n".join(str(game) for game in games) + "\n", encoding="utf-8")
    return file


def by_python_chess(path: Path, wanted: set[str], max_ply: int, player: str | None = None) -> Counter[tuple[str, str]]:
    counts: Counter[tuple[str, str]] = Counter()
    with path.open(encoding="utf-8") as file:
        while (game := chess.pgn.read_game(file)) is not None:
            board = game.board()
            for ply, move in enumerate(game.mainline_moves()):
                if ply >= max_ply:
                    break
                name = game.headers["White" if board.turn else "Black"]
                if board.epd() in wanted and player in (None, name):
                    counts[board.epd(), move.uci()] += 1
                board.push(move)
    return counts


def wanted_of(games: list[chess.pgn.Game], deep: int) -> set[str]:
    wanted = set()
    for game in games[::4]:
        board = game.board()
        for move in list(game.mainline_moves())[:deep]:
            wanted.add(board.epd())
            board.push(move)
    return wanted


@pytest.mark.parametrize("player", [None, "Ann", "Cy"])
@pytest.mark.parametrize("deep", [1, 6, 20])
def test_counts_agree_with_python_chess(games: list[chess.pgn.Game], path: Path, player: str | None, deep: int) -> None:
    wanted = wanted_of(games, deep)
    found = count_games([path], wanted, player=player, max_ply=16)
    flat = Counter({(epd, move): n for epd, moves in found.counts.items() for move, n in moves.items()})
    assert flat == by_python_chess(path, wanted, 16, player)
    assert found.games == 200
    assert found.broken == 0


def in_two_processes(count: Callable[[Part], Evidence], pieces: Sequence[Part]) -> Iterable[Evidence]:
    found: Iterable[Evidence] = Parallel(n_jobs=2, return_as="generator")(delayed(count)(piece) for piece in pieces)
    return found


def test_pieces_of_a_file_and_workers_change_nothing(
    games: list[chess.pgn.Game], path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    wanted = wanted_of(games, 10)
    whole = count_games([path], wanted)
    monkeypatch.setattr("trapscan.chance.games.PART", 777)
    assert count_games([path], wanted) == whole
    assert count_games([path], wanted, spread=in_two_processes) == whole


def test_ratings_count_where_they_are_known(games: list[chess.pgn.Game], path: Path) -> None:
    start = chess.Board().epd()
    found = count_games([path], {start})
    assert found.total(start) == 200
    near, far = found.at_levels(start, (1500, 2500))
    assert sum(near.values()) > sum(far.values()) >= 50  # a quarter of the games has no ratings: they count everywhere
    with_rating = [int(game.headers["WhiteElo"]) for game in games if "WhiteElo" in game.headers]
    expected = 50 + sum(max(0.0, 1 - abs(rating // 100 * 100 + 50 - 1500) / 300) for rating in with_rating)
    assert sum(near.values()) == pytest.approx(expected)


def test_a_broken_game_counts_up_to_the_break_and_the_next_is_read(tmp_path: Path) -> None:
    file = tmp_path / "broken.pgn"
    file.write_bytes(
        b'[Event "a"]\n[White "J\xf6rg"]\n\n1. e4 e5 2. Qxf7 d6 *\n\n[Event "b"]\n\n1. e4 {unclosed\n\n'
        b'[Event "c"]\n[FEN "nonsense"]\n\n1. e4 *\n\n'
    )
    start = chess.Board()
    second = chess.Board()
    second.push_san("e4")
    third = second.copy()
    third.push_san("e5")
    found = count_games([file], {start.epd(), second.epd(), third.epd()})
    assert found.games == 3
    assert found.played(start.epd(), "e2e4") == 2
    assert found.played(second.epd(), "e7e5") == 1
    assert found.total(third.epd()) == 0
    assert found.broken == 2
    assert [(p.game, p.ply, p.text) for p in found.problems] == [
        (1, 3, "'Qxf7' is illegal"),
        (2, 0, "a comment is not closed: it ends with the game"),
        (3, 0, "not a FEN: 'nonsense'"),
    ]
    assert found.passed == {
        "games with a word that is no move": 1,
        "tags and comments": 1,
        "games from a position that cannot be used": 1,
    }


# --- no game is lost without a word: each failed when game files had a reader of their own ----------------------------


def count_all(folder: Path, text: str | bytes, **options: Any) -> Evidence:
    file = folder / "games.pgn"
    file.write_bytes(text.encode() if isinstance(text, str) else text)
    after = chess.Board()
    after.push_san("e4")
    return count_games([file], {chess.Board().epd(), after.epd()}, **options)


def test_a_large_file_without_event_tags_is_counted_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trapscan.chance.games.PART", 1_000)
    for tags in ('[White "A"]\n\n', ""):
        found = count_all(tmp_path, (tags + "1. e4 e5 2. Nf3 *\n\n") * 500)
        assert (found.games, found.total(chess.Board().epd()), found.problems) == (500, 500, [])


def test_a_player_is_found_whose_tag_shares_its_line(tmp_path: Path) -> None:
    found = count_all(tmp_path, '[White "A"] [Black "B"]\n\n1. e4 e5 *\n', player="B")
    assert (found.games, found.theirs) == (1, 1)
    assert list(found.counts.values()) == [Counter({"e7e5": 1})]


@pytest.mark.parametrize("rating", ["²²²", "9" * 5_000, "-5", "?", "", "1500.5"])
def test_a_rating_that_is_no_number_is_no_rating(tmp_path: Path, rating: str) -> None:
    found = count_all(tmp_path, f'[WhiteElo "{rating}"]\n\n1. e4 *\n')
    assert found.total(chess.Board().epd()) == 1 and not found.rated


@pytest.mark.parametrize(
    ("game", "text"),
    [
        ('[FEN "8/8/8/8/8/8/8/Q7 w - - 0 1"]\n\n1. Qa2 *', "illegal position: White has no king"),
        ('[Variant "Atomic"]\n\n1. e4 *', "variant 'atomic' is not supported; trapscan reads standard chess"),
        ("1. e4 -- 2. d4 *", "a null move is no move of chess"),
        ("1. e4 blah *", "'blah' is not a move"),
    ],
)
def test_every_game_that_does_not_count_is_named(tmp_path: Path, game: str, text: str) -> None:
    found = count_all(tmp_path, "1. e4 e5 *\n\n" + (game + "\n\n") * 30)
    assert (found.games, found.broken, sum(found.passed.values())) == (31, 30, 30)
    assert {problem.text for problem in found.problems} == {text}
    assert [problem.game for problem in found.problems] == list(range(2, 22))


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress])
def test_a_packed_bomb_ends_early_with_a_problem(tmp_path: Path, pack: Callable[[bytes], bytes]) -> None:
    file = tmp_path / "games.pgn.gz"
    file.write_bytes(pack(b"1. e4 e5 *\n\n1. d4 {" + b"x" * 100_000_000))
    found = count_games([file], {chess.Board().epd()})
    assert (found.games, found.total(chess.Board().epd())) == (2, 2)
    assert found.problems[-1].text == "it unpacks to more than 200 times its size: the rest is not read"


def test_what_is_no_file_is_refused(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe.pgn"
    os.mkfifo(pipe)
    for path in (pipe, tmp_path, Path("/dev/zero")):
        with pytest.raises(InputError, match=r"directory|no regular file"):
            count_games([path], {chess.Board().epd()})


def test_a_missing_file_is_an_input_error(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        count_games([tmp_path / "none.pgn"], {chess.Board().epd()})


def test_a_polyglot_book_against_the_reader_of_python_chess(tmp_path: Path) -> None:
    board = chess.Board()
    key = chess.polyglot.zobrist_hash(board)
    entries = [(chess.E2, chess.E4, 30), (chess.D2, chess.D4, 12)]
    book = tmp_path / "small.bin"
    book.write_bytes(b"".join(struct.pack(">QHHI", key, f << 6 | t, weight, 0) for f, t, weight in entries))
    with chess.polyglot.open_reader(book) as reader:
        expected = {entry.move.uci(): entry.weight for entry in reader.find_all(board)}
    assert expected == {"e2e4": 30, "d2d4": 12}
    assert dict(count_games([book], {board.epd()}).counts[board.epd()]) == expected


def test_blend_is_the_formula_and_sums_to_one() -> None:
    chances = {"a": (0.5, 0.2), "b": (0.5, 0.8)}
    mixed = blend(chances, [{"a": 30.0}, {}], k=10)
    assert mixed["a"] == pytest.approx(((30 + 5) / 40, 0.2))
    assert mixed["b"] == pytest.approx((5 / 40, 0.8))
    assert [sum(column) for column in zip(*mixed.values(), strict=True)] == pytest.approx([1.0, 1.0])


def test_a_variation_or_comment_is_not_a_game(tmp_path: Path) -> None:
    text = '[Event "x"]\n\n1. e4 (1. d4 d5 (1... Nf6)) {[Event "no"]\n[Event "no"]} 1... e5 *\n'
    file = tmp_path / "one.pgn"
    file.write_text(text)
    found = count_games([file], {chess.Board().epd()})
    game = chess.pgn.read_game(io.StringIO(text))
    assert game is not None
    assert found.games == 1
    assert found.counts[chess.Board().epd()] == Counter({"e2e4": 1})
