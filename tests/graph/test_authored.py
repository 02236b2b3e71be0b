"""Chapters: their titles and sides; which of them hold what; marks and comments."""

from __future__ import annotations

from pathlib import Path

import chess
import pytest

from trapscan import graph, repertoire
from trapscan.authored import Authored, spoken


def author(folder: Path, text: str, name: str = "x.pgn", **options: object) -> Authored:
    (folder / name).write_text(text)
    read = repertoire.read_files([folder / name])
    return Authored.of(read, graph.build(read), options.get("sides"))  # type: ignore[arg-type]


def epd(*sans: str) -> str:
    board = chess.Board()
    for san in sans:
        board.push_san(san)
    return board.epd()


WHITE = "1. e4 e5 (1... c5 2. Nf3) (1... e6 2. d4) (1... c6 2. d4) 2. Nf3 Nc6 (2... d6 3. d4) 3. Bc4 *"
BLACK = "1. d4 (1. e4 e5 2. Nf3 (2. Bc4 Nf6) (2. f4 exf4) Nc6) (1. c4 e5) Nf6 2. c4 (2. Nf3 e6) e6 *"


# --- whose repertoire ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "side"),
    [
        (WHITE, "white"),
        (WHITE + "\n1. e4 e5 2. Nc3 *", "white"),  # a line goes with the others, if it does not speak against them
        ("1. e4 e5 2. Nf3 (2. Nc3 Nf6) (2. f4 exf4) (2. Bc4 Nf6) Nc6 *\n1. d4 d5 *", "black"),
        ("1. e4 e5 2. Nf3 Nc6 *", "both"),
        ("1. e4 e5 (1... c5) *", "both"),
        ("1. e4 e5 2. Nf3 *\n1. d4 d5 2. c4 *\n1. c4 *\n", "white"),  # together they say what one does not
        ("1. e4 e5 2. Nf3 *\n1. d4 d5 2. c4 e6 *\n1. c4 *\n1. b3 e5 *", "both"),
        (WHITE.replace("2. d4) 2.", "2. d4 (2. d3 $2)) 2."), "white"),  # a marked mistake is no choice
        ('[Event "For Black"]\n\n' + WHITE, "black"),
    ],
)
def test_the_side_of_a_file(tmp_path: Path, text: str, side: str) -> None:
    assert author(tmp_path, text).side == side


def test_chapters_have_sides_of_their_own(tmp_path: Path) -> None:
    found = author(tmp_path, f"{WHITE}\n{BLACK}\n")
    assert [chapter.side for chapter in found.chapters] == ["white", "black"] and found.side == "both"
    assert found.told() == "chapters: white in 1, black in 2"
    assert found.held[found.tree.index[epd("e4", "e5")]] == (0, 1)
    assert found.held[found.tree.index[epd("d4")]] == (1,)
    edge = found.edge(epd("e4", "e5"), "f1c4")
    assert edge is not None and found.played[edge] == (1,) and found.edge(epd("e4", "e5"), "b1c3") is None
    assert found.choices(epd(), chess.WHITE) == ("e2e4",), "what White's chapter plays"
    assert found.choices(epd("e4"), chess.BLACK) == ("e7e5",), "not what White's chapter answers to"
    assert found.choices(epd("e4"), chess.WHITE) == ("e7e5", "c7c5", "e7e6", "c7c6"), "but what it looks at"
    assert found.choices(epd("d4", "d5"), chess.WHITE) == ()


def test_ten_chapters_without_a_word_in_their_tags(tmp_path: Path) -> None:
    """The demo's seven chapters, whose tags say whose they are, and three by hand, in one file with empty tags."""
    folder = Path(graph.__file__).parent / "demo"
    games = [WHITE, BLACK, BLACK.replace("(2. Nf3 e6)", "(2. Bg5 Ne4)")]
    sides = ["white", "black", "black"]
    for side in ("white", "black"):
        text = (folder / f"otter_quay_{side}.pgn").read_text()
        parts = ["\n".join(line for line in part.splitlines() if line[:1] != "[") for part in text.split("[Event ")[1:]]
        games += [part.partition("\n")[2] for part in parts]
        sides += [side] * len(parts)
    found = author(tmp_path, "".join(f'[Event "?"]\n\n{game}\n\n' for game in games))
    assert sides.count("white") == sides.count("black") == 5
    assert [chapter.side for chapter in found.chapters] == sides


def test_what_is_said_of_chapters_stands_above_what_is_seen(tmp_path: Path) -> None:
    text = '[Event "White"]\n\n' + "\n".join([WHITE, BLACK, BLACK])
    assert [c.side for c in author(tmp_path, text, sides={0: "black", 2: "both"}).chapters] == [
        "black",
        "both",
        "black",
    ]


@pytest.mark.parametrize("side", ["white", "black"])
def test_the_demo_repertoires_are_told_apart_and_sound_to_read(side: str) -> None:
    folder = Path(graph.__file__).parent / "demo"
    read = repertoire.read_files([folder / f"otter_quay_{side}.pgn"])
    built = graph.build(read)
    assert read.problems == () and len(read.games) >= 3
    found = Authored.of(read, built)
    assert {chapter.side for chapter in found.chapters} == {side}
    shape = Authored.of(
        repertoire.Repertoire(
            read.files,
            tuple(g.__class__(g.file, g.number, g.start_fen, g.root, g.stop) for g in read.games),
            read.forest,
        ),
        built,
    )
    assert {chapter.side for chapter in shape.chapters} == {side}, "by its shape as well as by its tags"
    assert len(built.positions) >= 60 and any(position.move_orders > 1 for position in built.positions)
    assert read.forest.comments and max(read.forest.plies) >= 12


# --- titles ----------------------------------------------------------------------------------------------------------


def test_titles(tmp_path: Path) -> None:
    games = [
        '[Event "Club: Open games"]\n\n1. e4 e5 2. Nf3 Nc6 3. Bb5 *',
        '[Event "Club"]\n\n1. e4 c5 *',
        '[Event "Club"]\n\n1. d4 d5 2. c4 e6 (2... c6) *',
        '[Event "?"]\n[White "?"]\n\n1. e4 e6 2. d4 *',
        "1. a3 a6 2. a4 a5 3. Ra2 *",
        "1. a3 a6 2. a4 a5 3. h3 *",
    ]
    found = author(tmp_path, "\n\n".join(games))
    titles = [chapter.title for chapter in found.chapters]
    assert titles[:4] == [
        "Club: Open games",
        "Club, Sicilian Defense",
        "Club, Queen's Gambit Declined",
        "French Defense: Normal Variation",
    ]
    assert titles[4] != titles[5] and titles[4].endswith("(game 5)")
    assert [(chapter.file, chapter.game) for chapter in found.chapters] == [(0, number) for number in range(1, 7)]
    assert found.chapters[0].positions == 6


def test_a_title_has_no_part_that_all_games_of_the_file_share(tmp_path: Path) -> None:
    def titles(*tags: str) -> list[str]:
        return [c.title for c in author(tmp_path, "\n\n".join(f"{t}\n\n1. e4 e5 *" for t in tags)).chapters]

    study = (
        '[Event "Open games: Italian"]\n[White "Otter Club"]',
        '[Event "Open games: Petroff"]\n[White "Otter Club"]',
    )
    assert titles(*study) == ["Italian", "Petroff"]
    assert titles(study[0]) == ["Open games: Italian: Otter Club"]
    assert titles('[Event "Open: A"]', '[Event "Open"]') == ["Open: A", "Open"]
    assert titles('[Event "Same"]', '[Event "Same"]') == ["King's Pawn Game (game 1)", "King's Pawn Game (game 2)"]


# --- marks and comments ----------------------------------------------------------------------------------------------


def test_marks_and_comments_by_chapter(tmp_path: Path) -> None:
    text = (
        "{Before all} 1. e4 {[%clk 1:00] Best by test} e5 2. Qh5?! {Too early} (2. Bc4 $3 {Good}) Nc6 $1 *\n"
        "1. e4 {Best by test} {and more} e5 2. Qh5?? *\n"
    )
    found = author(tmp_path, text)
    start, after = (found.tree.index[epd(*sans)] for sans in ((), ("e4",)))
    assert found.comments[start] == {0: "Before all"}
    assert found.comments[after] == {0: "Best by test", 1: "Best by test and more"}
    early = found.edge(epd("e4", "e5"), "d1h5")
    assert early is not None and found.marks[early] == "?!" and found.remarks[early] == {0: "Too early"}
    assert found.edge(epd("e4", "e5"), "f1c4") in {e for e, sign in found.marks.items() if sign == "!!"}
    assert spoken("[%cal Ge2e4][#] on  we go") == "on we go"
