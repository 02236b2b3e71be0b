"""PGN in, the right trees out: against python-chess, and by hand where python-chess is lenient or silent."""

from __future__ import annotations

import random
from pathlib import Path

import chess
import chess.pgn
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.repertoire.pgn_cases import random_game, read_back, tree_of, tree_read, written
from trapscan import repertoire
from trapscan.errors import RepertoireError
from trapscan.movetree import Repertoire

HEADER = '[Event "x"]\n\n'


def read(folder: Path, content: str | bytes, name: str = "lines.pgn") -> Repertoire:
    path = folder / name
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    return repertoire.read_files([path])


def lines(result: Repertoire) -> list[list[str]]:
    """For each game the moves of all its paths that end in a leaf, joined by blanks, in file order."""
    found = []
    for game in result.games:
        inner = {result.forest.parents[node] for node in game.moves()}
        leaves = [node for node in game.moves() if node not in inner]
        found.append([" ".join(move.uci() for move in result.forest.path(leaf)) for leaf in leaves])
    return found


def problems(result: Repertoire) -> list[tuple[int, int, str]]:
    return [(p.game, p.ply, p.text) for p in result.problems]


# --- round trip against the reference library ------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(seeds=st.lists(st.integers(0, 2**32), min_size=1, max_size=4), style=st.integers(0, 3))
def test_random_games_come_back_as_python_chess_wrote_them(
    tmp_path_factory: pytest.TempPathFactory, seeds: list[int], style: int
) -> None:
    games = [random_game(random.Random(seed), nodes=1 + seed % 60) for seed in seeds]
    text = "\n\n".join(map(written, games))
    data = text.replace("\n", "\r\n").encode() if style & 1 else text.encode()
    result = read(tmp_path_factory.mktemp("pgn"), b"\xef\xbb\xbf" + data if style & 2 else data)
    assert result.problems == ()
    assert [tree_read(result, game) for game in result.games] == [tree_of(game) for game in games]
    assert [game.start_fen for game in result.games] == [game.board().fen() for game in games]


def test_variation_order_is_file_order_with_the_main_move_first(tmp_path: Path) -> None:
    result = read(tmp_path, HEADER + "1. e4 e5 (1... c5 (1... e6 2. d4) 2. Nf3) (1... c6) 2. Nf3 *")
    children = [node for node in result.games[0].moves() if result.forest.parents[node] == 1]
    assert [result.forest.move(node).uci() for node in children] == ["e7e5", "c7c5", "e7e6", "c7c6"]


# --- forms that occur in files ---------------------------------------------------------------------------------------


def test_several_games_without_tags_results_or_blank_lines(tmp_path: Path) -> None:
    result = read(tmp_path, "1. e4 e5 2. Nf3\n1. d4 d5\n\n1.c4 e5 1/2-1/2 1. Nf3 d5")
    assert lines(result) == [["e2e4 e7e5 g1f3"], ["d2d4 d7d5"], ["c2c4 e7e5"], ["g1f3 d7d5"]]
    assert result.problems == ()


def test_a_blank_line_does_not_end_a_game(tmp_path: Path) -> None:
    assert lines(read(tmp_path, HEADER + "1. e4 e5\n\n2. Nf3 Nc6 *")) == [["e2e4 e7e5 g1f3 b8c6"]]


@pytest.mark.parametrize(
    "movetext",
    [
        "1.e4 e5 2.Nf3",
        "1. e4 1... e5 2. Nf3",
        "1.e4! e5?! 2. Nf3 $1 $14",
        "e4 e5 Nf3",
        "1 e4 e5 2 Nf3",
        "1. e2e4 e7-e5 2. Ng1f3",
        "1.♙e4 e5 2.♘f3",
        "1. e4 … e5 2. Nf3",
        "1. e4 e5 ; a remark 2. d4\n2. Nf3",
        "1. e4\n% an escaped line 2. d4\ne5 2. Nf3",
        "1. e4 {one {brace} e5 = 2. Nf3 +-",
        "1. e4 e5 N 2. Nf3",
    ],
)
def test_notations(tmp_path: Path, movetext: str) -> None:
    result = read(tmp_path, HEADER + movetext + " *\n")
    assert lines(result) == [["e2e4 e7e5 g1f3"]]
    assert result.problems == ()


def test_castling_and_promotion_in_every_spelling(tmp_path: Path) -> None:
    for word in ("O-O", "0-0", "O-O!", "e1g1", "0-0+"):
        result = read(tmp_path, f'[FEN "5k2/8/8/8/8/8/8/4K2R w K - 0 1"]\n\n1. {word} *')
        assert lines(result) == [["e1g1"]], word
    for word in ("a8=Q", "a8Q", "a7a8q", "a8=Q+"):
        assert lines(read(tmp_path, f'[FEN "8/P6k/8/8/8/8/7K/8 w - - 0 1"]\n\n1. {word} *')) == [["a7a8q"]], word


def test_en_passant_with_its_sign(tmp_path: Path) -> None:
    result = read(tmp_path, HEADER + "1. e4 a6 2. e5 d5 3. exd6 e.p. exd6 *")
    assert lines(result) == [["e2e4 a7a6 e4e5 d7d5 e5d6 e7d6"]] and result.problems == ()


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1", "cp1252", "utf-16"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    result = read(tmp_path, '[Event "Zürich"]\n\n1. e4 {très joué} e5 *'.encode(encoding))
    assert result.games[0].name == "Zürich"
    assert list(result.forest.comments.values()) == ["très joué"]


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_line_ends(tmp_path: Path, newline: str) -> None:
    text = '[Event "a"]\n\n1. e4 ; remark\ne5 *\n\n[Event "b"]\n\n1. d4 *\n'.replace("\n", newline)
    assert lines(read(tmp_path, text)) == [["e2e4 e7e5"], ["d2d4"]]


def test_game_numbers_go_on_by_file_and_files_keep_their_order(tmp_path: Path) -> None:
    (tmp_path / "b.pgn").write_text(HEADER + "1. e4 *\n\n" + HEADER + "1. d4 *")
    (tmp_path / "a.pgn").write_text(HEADER + "1. c4 Ke4 *")
    result = repertoire.read_files([tmp_path / "b.pgn", tmp_path / "a.pgn"])
    assert [(game.file, game.number) for game in result.games] == [(0, 1), (0, 2), (1, 1)]
    assert [file.name for file in result.files] == ["b.pgn", "a.pgn"]
    assert (result.problems[0].file, result.problems[0].game, result.problems[0].ply) == ("a.pgn", 1, 2)


# --- errors: what is sound before is kept ----------------------------------------------------------------------------


def test_an_illegal_move_ends_its_line_only(tmp_path: Path) -> None:
    text = HEADER + "1. e4 e5 (1... c5 2. Ke3 d6 (2... e6) 3. d4) 2. Nf3 Nc6 3. Bb5 *"
    result = read(tmp_path, text)
    assert lines(result) == [["e2e4 c7c5", "e2e4 e7e5 g1f3 b8c6 f1b5"]]
    assert problems(result) == [(1, 3, "'Ke3' is illegal after 1...c5")]


def test_a_variation_in_place_of_the_illegal_move_is_kept(tmp_path: Path) -> None:
    result = read(tmp_path, HEADER + "1. e4 e5 2. Nh3xf7 (2. Nf3 Nc6) (2. d4) Nc6 (2... d6) 3. Bb5 *")
    assert lines(result) == [["e2e4 e7e5 g1f3 b8c6", "e2e4 e7e5 d2d4"]]
    assert [p[:2] for p in problems(result)] == [(1, 3)]


@pytest.mark.parametrize(
    ("movetext", "ply", "text"),
    [
        ("1. e4 e5 2. Sf3", 3, "'Sf3' is not a move (piece letters must be English: K Q R B N)"),
        ("1. e4 -- 2. d4", 2, "a null move is no move of chess"),
        ("1. e4 blah 2. d4", 2, "'blah' is not a move"),
        ("1. e4 e5 2. Nf4", 3, "'Nf4' is illegal after 1...e5"),
        ("1. Nf3 d5 2. d3 d4 3. Nd2", 5, "'Nd2' is ambiguous after 2...d4: two pieces could make it"),
        ("1. e4 (1. d4 d5", 2, "a variation is not closed at the end of the game"),
        ("1. e4) e5", 1, "a closing parenthesis without an opening one is passed over"),
        ("(1. d4) 1. e4", 1, "a variation stands before any move that it could replace"),
        ("1. e4 {open", 0, "a comment is not closed: it ends with the game"),
        ("1. e4 $300 e5", 1, "NAG $300 does not exist"),
    ],
)
def test_each_error_is_reported_with_its_ply(tmp_path: Path, movetext: str, ply: int, text: str) -> None:
    assert problems(read(tmp_path, HEADER + movetext)) == [(1, ply, text)]


def test_problems_are_no_fewer_than_those_of_python_chess(tmp_path: Path) -> None:
    text = "".join(f"{HEADER}1. e4 e5 2. {word} Nc6 *\n\n" for word in ("Ke3", "Nf3", "Bb9", "Nd2", "O-O", "Qh5"))
    with_errors = [bool(game.errors) for game in read_back(text)]
    result = read(tmp_path, text)
    told = [any(p.game == game.number for p in result.problems) for game in result.games]
    assert all(ours or not theirs for ours, theirs in zip(told, with_errors, strict=True))
    assert told == [True, False, True, True, True, False]  # python-chess passes over Bb9 without a word


def test_tags_open_the_next_game_even_in_a_variation(tmp_path: Path) -> None:
    result = read(tmp_path, HEADER + "1. e4 e5 (1... c5 2. Nf3\n\n" + HEADER + "1. d4 *")
    assert lines(result) == [["e2e4 e7e5", "e2e4 c7c5 g1f3"], ["d2d4"]]


def test_many_problems_are_counted_and_not_all_listed(tmp_path: Path) -> None:
    result = read(tmp_path, (HEADER + "1. e4 e4 *\n\n") * 250)
    assert len(result.problems) == 201
    assert result.problems[-1].text == "50 more problems in this file are not listed"


# --- files that cannot be used ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("content", [b"", b"  \n\n", b"\xef\xbb\xbf", b'[Event "x"]\n\n*\n', b"\x00\x01\x02", b"hello"])
def test_files_without_moves(tmp_path: Path, content: bytes) -> None:
    with pytest.raises(RepertoireError, match=r"x\.pgn") as caught:
        read(tmp_path, content, "x.pgn")
    assert "\n" not in str(caught.value)


def test_missing_file_folder_and_impossible_name(tmp_path: Path) -> None:
    for path in (tmp_path / "none.pgn", tmp_path, tmp_path / "a\0b"):
        with pytest.raises(RepertoireError) as caught:
            repertoire.read_files([path])
        assert "\n" not in str(caught.value)
    with pytest.raises(RepertoireError):
        repertoire.read_files([])


@pytest.mark.parametrize("variant", ["Atomic", "Crazyhouse", "nonsense\\"])
def test_other_variants_are_refused(tmp_path: Path, variant: str) -> None:
    with pytest.raises(RepertoireError, match=r"game 2: variant .* is not supported"):
        read(tmp_path, f'{HEADER}1. e4 *\n\n[Event "y"]\n[Variant "{variant}"]\n\n1. e4 *')


@pytest.mark.parametrize("variant", ["Standard", "Chess", "From Position", "normal"])
def test_names_of_standard_chess_are_accepted(tmp_path: Path, variant: str) -> None:
    assert lines(read(tmp_path, f'[Variant "{variant}"]\n\n1. e4 *')) == [["e2e4"]]


# --- strange positions -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fen", "text"),
    [
        ("8/8/8/8/8/8/8/8 w - - 0 1", "White has no king"),
        ("4k3/8/8/8/8/8/8/8 w - - 0 1", "White has no king"),
        ("8/8/8/8/8/8/8/4K3 w - - 0 1", "Black has no king"),
        ("4k3/8/8/8/8/8/4R3/4K3 w - - 0 1", "the side that has just moved is in check"),
        ("4k3/8/8/8/8/8/8/P3K3 w - - 0 1", "a pawn stands on the first or last rank"),
        ("QQQQQQQQ/QQQQQQQQ/Q7/8/8/7k/8/K7 b - - 0 1", "White has more than sixteen men"),
        ("7k/5Q2/6K1/8/8/8/8/8 b - - 0 1", "the game is over at its start: stalemate"),
        ("7k/6Q1/6K1/8/8/8/8/8 b - - 0 1", "the game is over at its start: checkmate"),
        ("not a fen", "not a FEN"),
        ("x" * 5000, "the FEN is too long"),
    ],
)
def test_impossible_starts_are_passed_over(tmp_path: Path, fen: str, text: str) -> None:
    result = read(tmp_path, f'[FEN "{fen}"]\n\n1. Ke2 {{a}} (1. Kd1 $1) Ke7 *\n\n{HEADER}1. e4 *')
    assert lines(result) == [["e2e4"]]
    assert [(p.game, p.ply) for p in result.problems if text in p.text] == [(1, 0)]


def test_nine_queens_are_fine(tmp_path: Path) -> None:
    result = read(tmp_path, '[FEN "QQQQQQQQ/Q7/8/8/8/K7/6nn/6nk w - - 0 1"]\n\n1. Kb4 *')
    assert lines(result) == [["a3b4"]] and result.problems == ()


def test_wrong_castling_rights_are_left_out(tmp_path: Path) -> None:
    result = read(tmp_path, '[FEN "4k3/8/8/8/8/8/8/3K3R w KQkq - 0 1"]\n\n1. Kc2 *')
    assert result.games[0].start_fen == "4k3/8/8/8/8/8/8/3K3R w - - 0 1"
    assert "castling rights" in result.problems[0].text


def test_wrong_en_passant_square_is_left_out(tmp_path: Path) -> None:
    result = read(tmp_path, '[FEN "4k3/8/8/8/8/8/8/4K3 w - d6 0 1"]\n\n1. Kd2 *')
    assert result.games[0].start_fen == "4k3/8/8/8/8/8/8/4K3 w - - 0 1"
    assert "en passant" in result.problems[0].text


def test_chess960_is_read_where_it_is_standard_chess(tmp_path: Path) -> None:
    start, other = chess.STARTING_FEN, chess.Board.from_chess960_pos(0).fen()
    assert lines(read(tmp_path, f'[Variant "Chess960"]\n[FEN "{start}"]\n\n1. e4 *')) == [["e2e4"]]
    result = read(tmp_path, f'[Variant "Fischerandom"]\n[FEN "{other}"]\n\n1. e4 *\n\n{HEADER}1. d4 *')
    assert lines(result) == [["d2d4"]]
    assert problems(result) == [(1, 0, "castling rights of Chess960 are not supported; the game is passed over")]


@pytest.mark.parametrize(
    ("tags", "side"),
    [
        ('[Event "Otter Club: White, 1.e4 e5"]', "white"),
        ('[Event "My Black repertoire"]', "black"),
        ('[Event "The London for White"]', "white"),
        ('[Event "Petroff (Black)"]', "black"),
        ('[Event "Chapter 2"]\n[Board "black"]', "black"),
        ('[White "White"]\n[Black "Black"]', ""),
        ('[Event "Against the Black Lion"]', ""),
        ('[Event "Blackburne Gambit"]\n[White "Whitehead, O."]', ""),
        ('[Event "For White"]\n[Note "black"]', ""),
    ],
)
def test_tags_may_say_whose_a_game_is(tmp_path: Path, tags: str, side: str) -> None:
    (tmp_path / "x.pgn").write_text(f"{tags}\n\n1. e4 e5 *\n")
    (game,) = repertoire.read_files([tmp_path / "x.pgn"]).games
    assert game.side == side
