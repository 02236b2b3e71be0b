"""Odd PGN, read as a repertoire, as games to count and by python-chess: the same moves, or a stated reason."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import chess
import pytest

from tests.pgn.readers import as_counts, as_tree, by_python_chess, played_in

TAGS = '[Event "T"]\n[White "A"]\n[Black "B"]\n\n'
NO_KINGS = "8/8/8/8/8/8/8/Q7 w - - 0 1"


class Odd(NamedTuple):
    """A file; the main lines of its games, in UCI; and why python-chess reads it otherwise, if it does."""

    name: str
    data: str | bytes
    lines: list[str]
    differs: str = ""


BLANK = "python-chess ends a game at a blank line only"
LINE = "python-chess takes a line that begins with a tag for one tag"
CASES = [
    Odd("plain", TAGS + "1. e4 e5 2. Nf3 *\n\n" + TAGS + "1. d4 *\n", ["e2e4 e7e5 g1f3", "d2d4"]),
    Odd("escaped lines", TAGS + "1. e4\n% 1. d4 d5\ne5 *\n", ["e2e4 e7e5"]),
    Odd("an escaped line between tags", '[Event "T"]\n% x\n[White "A"]\n\n1. e4 *\n', ["e2e4"]),
    Odd("a per cent sign is no escape in a line", TAGS + "1. e4 {50%\n% 60} e5 *\n", ["e2e4 e7e5"]),
    Odd("no tags, blank lines", "1. e4 *\n\n1. d4 *\n\n1. c4 *\n", ["e2e4", "d2d4", "c2c4"]),
    Odd("no tags, no blank lines", "1. e4 *\n1. d4 *\n1. c4 *\n", ["e2e4", "d2d4", "c2c4"], BLANK),
    Odd("no tags, no results", "1. e4 e5\n\n1. d4 d5\n", ["e2e4 e7e5", "d2d4 d7d5"]),
    Odd("all on one line", TAGS.replace("\n", " ") + "1. e4 e5 *", ["e2e4 e7e5"], LINE),
    Odd("two tags on one line", '[White "A"] [Black "B"]\n\n1. e4 *\n', ["e2e4"]),
    Odd("games on one line", (TAGS + "1. e4 * " + TAGS + "1. d4 *").replace("\n", " "), ["e2e4", "d2d4"], LINE),
    Odd("CR only", (TAGS + "1. e4 ; c\ne5 *\n\n" + TAGS + "1. d4 *\n").replace("\n", "\r"), ["e2e4 e7e5", "d2d4"]),
    Odd("CR LF", (TAGS + "1. e4 ; c\ne5 *\n\n" + TAGS + "1. d4 *\n").replace("\n", "\r\n"), ["e2e4 e7e5", "d2d4"]),
    Odd("mixed line ends", "1. e4 ; c\re5 2. Nf3 Nc6\r 3. Bb5 *\n", ["e2e4 e7e5 g1f3 b8c6 f1b5"]),
    Odd("byte-order mark", b"\xef\xbb\xbf" + (TAGS + "1. e4 *\n").encode(), ["e2e4"]),
    Odd("byte-order mark, no tags", b"\xef\xbb\xbf1. e4 e5 *\n", ["e2e4 e7e5"]),
    Odd("UTF-16", (TAGS + "1. e4 {\u00e9t\u00e9} e5 *\n").encode("utf-16"), ["e2e4 e7e5"]),
    Odd("UTF-16 BE", b"\xfe\xff" + (TAGS + "1. e4 e5 *\n").encode("utf-16-be"), ["e2e4 e7e5"]),
    Odd("Latin-1", (TAGS + "1. e4 {J\u00f6rg} e5 *\n").encode("latin-1"), ["e2e4 e7e5"]),
    Odd("figurines", TAGS + "1. e4 e5 2. \u2658f3 *\n", ["e2e4 e7e5 g1f3"], "python-chess knows no figurines"),
    Odd("a FEN without kings", f'[FEN "{NO_KINGS}"]\n\n1. Qa2 *\n\n{TAGS}1. e4 *\n', ["e2e4"], "python-chess takes it"),
    Odd("a FEN that is none", f'[FEN "nonsense"]\n\n1. e4 *\n\n{TAGS}1. d4 *\n', ["d2d4"]),
    Odd("a FEN", '[FEN "4k3/8/8/3pP3/8/8/8/4K3 w - d6 0 12"]\n\n12. exd6 Kd7 *\n', ["e5d6 e8d7"]),
    Odd("a FEN whose numbers begin at 1 again", f'[FEN "{chess.STARTING_FEN}"]\n\n1. e4 *\n', ["e2e4"]),
    Odd("tags alone", TAGS + TAGS + "1. e4 *\n", ["", "e2e4"], "python-chess reads the tags as one game's"),
    Odd("a variation", TAGS + "1. e4 (1. d4 d5 (1... Nf6)) 1... e5 *\n", ["e2e4 e7e5"]),
    Odd("a result in a variation", TAGS + "1. e4 (1. d4 1-0) 1... e5 0-1\n", ["e2e4 e7e5"]),
    Odd("tags in a comment", TAGS + '1. e4 {[Event "no"]\n[Event "no"]} 1... e5 *\n', ["e2e4 e7e5"]),
    Odd("a tag in a rest of line", TAGS + '1. e4 ; [Event "no"] x\ne5 *\n', ["e2e4 e7e5"]),
    Odd("a game in a comment", TAGS + "1. e4 {1. d4 * 1. c4 *} 1... e5 *\n", ["e2e4 e7e5"]),
    Odd("commands in comments", TAGS + "1. e4 {[%clk 0:05:00] [%cal Ge2e4]} e5 {[%clk 0:04:59]} *\n", ["e2e4 e7e5"]),
    Odd(
        "a comment without end",
        TAGS + "1. e4 {x\n\n" + TAGS + "1. d4 *\n",
        ["e2e4", "d2d4"],
        "it takes all that follows",
    ),
    Odd("a comment to the end of the file", TAGS + "1. e4 {x", ["e2e4"]),
    Odd(
        "a heading", "{ Games of a day }\n; more\n\n" + TAGS + "1. e4 *\n", ["e2e4"], "python-chess makes a game of it"
    ),
    Odd("a comment before the first move", TAGS + "{ To begin with } 1. e4 *\n", ["e2e4"]),
    Odd("NAGs and signs", TAGS + "1. e4! $1 e5?! +- 2. Nf3 N $14 2... Nc6 *\n", ["e2e4 e7e5 g1f3 b8c6"]),
    Odd("no blanks", TAGS + "1.e4 e5 2.Nf3{x}Nc6(2...d6)3.Bb5$1 a6 *\n", ["e2e4 e7e5 g1f3 b8c6 f1b5 a7a6"]),
    Odd("brackets in movetext", TAGS + "1. e4 [%clk 0:05:00] e5 *\n", ["e2e4 e7e5"]),
    Odd("a blank line in a game", TAGS + "1. e4\n\ne5 *\n", ["e2e4 e7e5"], BLANK),
    Odd("an illegal move", TAGS + "1. e4 e5 2. Ke3 Nc6 *\n\n" + TAGS + "1. d4 *\n", ["e2e4 e7e5", "d2d4"]),
    Odd("a word that is no move", TAGS + "1. e4 blah e5 *\n", ["e2e4"], "python-chess passes over the word"),
    Odd("a null move", TAGS + "1. e4 -- 2. d4 *\n", ["e2e4"], "python-chess takes null moves"),
    Odd(
        "castling with zeros",
        TAGS + "1. e4 e5 2. Nf3 Nf6 3. Bc4 Be7 4. 0-0 0-0 *\n",
        ["e2e4 e7e5 g1f3 g8f6 f1c4 f8e7 e1g1 e8g8"],
    ),
    Odd("long and UCI moves", TAGS + "1. e2-e4 e7e5 2. Ng1-f3 *\n", ["e2e4 e7e5 g1f3"]),
    Odd(
        "en passant with a sign",
        TAGS + "1. e4 a6 2. e5 d5 3. exd6 e.p. *\n",
        ["e2e4 a7a6 e4e5 d7d5 e5d6"],
    ),
    Odd("a tag that is not closed", '[Event "T"]\n[White "A\n\n1. e4 *\n', ["e2e4"]),
    Odd("quotes and backslashes in tags", '[Event "The "x" \\\\"]\n[Site "C:\\"]\n\n1. e4 *\n', ["e2e4"]),
    Odd("an empty line of tags", '[Event "T"]\n\n[White "A"]\n\n1. e4 *\n', ["e2e4"]),
    Odd("half a result", TAGS + "1. e4 e5 1/2\n", ["e2e4 e7e5"], ""),
    Odd("another variant", '[Variant "Atomic"]\n\n1. e4 *\n', [], "the moves may be of other rules"),
    Odd("nothing but words", "Buy milk and bread.\n", [], "python-chess makes a game of it"),
    Odd("results alone", "*\n*\n1-0\n", [], "python-chess makes a game of them"),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_every_reader_has_the_same_moves(case: Odd, tmp_path: Path) -> None:
    data = case.data.encode() if isinstance(case.data, str) else case.data
    path = tmp_path / "odd.pgn"
    path.write_bytes(data)
    tree = as_tree(path)
    assert [" ".join(move.uci() for move in moves) for _, moves in tree] == case.lines
    expected = played_in(tree)
    theirs = by_python_chess(data, "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    wanted = {epd for epd, _ in (*expected, *played_in(theirs))} | {chess.Board().epd()}
    counted, games = as_counts(path, wanted)
    assert counted == expected
    assert (played_in(theirs) != expected or len(theirs) != games) == bool(case.differs), (theirs, games)
