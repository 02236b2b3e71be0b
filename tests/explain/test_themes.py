"""What a slip costs where nothing is won, and what it did to allow a capture: told so, and true on the board.

The openings are common practice, no source; what is expected of each is what any primer says of it.
"""

from __future__ import annotations

import chess
import pytest

from tests.independent.sentences import false_claims
from trapscan.explain import Explanation, explain_slip
from trapscan.explain import motif as m
from trapscan.explain import themes as t
from trapscan.model import Line
from trapscan.score import Score


def explain(moves: str, line: str, best: str, cp_before: int = 20, cp_after: int = -80) -> Explanation:
    """The explanation of the last of `moves`, punished by `line`; `best` is the victim's best line (all SAN)."""
    board = chess.Board()
    *before, slip = moves.split()
    for san in before:
        board.push_san(san)
    move = board.parse_san(slip)
    after, rival = board.copy(), board.copy()
    after.push(move)
    punished = tuple(after.push_san(san).uci() for san in line.split())
    better = tuple(rival.push_san(san).uci() for san in best.split())
    side = board.turn
    told = explain_slip(
        board,
        move,
        best=Line(Score(side, cp=cp_before), better),
        slip_score=Score(side, cp=cp_after),
        refutation=punished,
    )
    for sentence in (told.why_tempting, told.why_it_fails):
        assert false_claims(board, move, punished, sentence, better) == [], sentence
    return told


def test_a_king_that_must_take_back_loses_castling() -> None:
    told = explain("e4 e5 Nf3 d6 d4 Nc6 dxe5 Nxe5", "Nxe5 dxe5 Qxd8+ Kxd8 Bc4 f6 Be3", "dxe5 Qxd8+ Nxd8 Nxe5 Be6 Nc3")
    assert told.gain == "attack" and t.CASTLING in told.motifs
    assert "the king on d8 can no longer castle" in told.why_it_fails


def test_a_piece_that_is_driven_off_has_lost_time() -> None:
    told = explain("e4 d5 exd5 Qxd5", "Nc3 Qa5 d4 Nf6 Nf3 Bf5", "Nf6 d4 Nxd5 Nf3 g6 Be2 Bg7", 0, -60)
    assert told.motifs[0] == t.TIME
    assert "chases the queen on d5, which must move again" in told.why_it_fails


def test_a_bishop_before_its_pawn_stands_in_the_way() -> None:
    told = explain("e4 e5 Nf3 Nc6 d3 Nf6 c3 Bd6", "Be2 O-O O-O Re8 Nbd2 b6", "d5 Nbd2 Be7 Be2 O-O O-O", 0, -60)
    assert t.OWN_WAY in told.motifs
    assert "the bishop on d6 stands in the way of the pawn on d7" in told.why_it_fails


def test_a_pawn_on_the_knight_s_square() -> None:
    told = explain("e4 e5 Nf3 f6", "Be2 d6 d3 Nc6 O-O Be7", "Nc6 Bb5 a6 Ba4 Nf6 O-O", 0, -80)
    assert "the pawn on f6 takes the best square from the knight on g8" in told.why_it_fails


@pytest.mark.parametrize(
    ("moves", "line", "best", "motif", "words"),
    [
        # a man guarded by nothing, attacked already
        (
            "e4 e5 Nf3 Nf6 d3 a6",
            "Nxe5 d6 Nf3",
            "Nc6 Be2",
            m.UNMET,
            "leaves the pawn on e5 hanging",
        ),
        # the knight that guarded e5 goes
        (
            "e4 e5 Nf3 Nc6 Be2 Nd4",
            "Nxe5 Nxe2 Qxe2 d6 Nf3",
            "Nf6 d3",
            m.GUARD_LEAVES,
            "gives up the guard of the pawn on e5",
        ),
        # a pawn walks into another
        (
            "e4 e5 Nf3 Nc6 d3 d5 exd5 Qxd5 Nc3 Qd8 Be2 f5 O-O e4",
            "dxe4 fxe4 Nxe4",
            "Nf6 Re1",
            m.EN_PRISE,
            "e4 is attacked twice and guarded once",
        ),
    ],
)
def test_what_the_slip_did_to_allow_a_capture(moves: str, line: str, best: str, motif: str, words: str) -> None:
    told = explain(moves, line, best, 0, -120)
    assert told.gain == "pawn"
    assert motif in told.motifs, told.motifs
    assert words in told.why_it_fails, told.why_it_fails


def test_what_was_not_taken_is_not_called_lost() -> None:
    """3...Nf6 lets the pawn on e4 go that 3...fxe4 takes; White does not win anything by force."""
    told = explain("e4 e5 f4 exf4 Nf3 f5 d3 Nf6", "e5 Nh5 Be2 g6 O-O Bg7", "fxe4 dxe4 Nf6 e5 Nh5 Be2", 60, -40)
    assert told.gain == "attack" and told.material == 0
    assert not any(word in told.why_it_fails for word in ("lose", "lost", "wins"))


def test_no_best_line_no_theme() -> None:
    board = chess.Board()
    move = board.parse_san("f3")
    told = explain_slip(
        board, move, best=Line(Score(True, cp=30), ()), slip_score=Score(True, cp=-60), refutation=("e7e5", "e2e4")
    )
    assert not set(told.motifs) & set(t.THEMES)


@pytest.mark.parametrize(
    "sentence",
    [
        "Nxe4; the king on e8 can no longer castle.",
        "Nxe4; the pawns on e5 and d7 hold the centre.",
        "Nxe4; Black is three pieces ahead in development.",
        "Nxe4; the pawns on a2 and b2 are doubled.",
        "Nxe4; White has both bishops, Black has not.",
        "Nxe4; the queens are off and Black is ahead in material.",
        "Nxe4; no pawn can drive away the knight on e4.",
        "Nxe4; the pawn on d2 is passed.",
        "Nxe4; the pawn on d2 is isolated.",
        "Nf3 gives up the guard of the pawn on e4, and Nxe4 takes it.",
        "Nxe4 wins a pawn: e4 is attacked twice and guarded once.",
        "Nxe4; the bishop on c4 stands in the way of the pawn on c2.",
        "Nxe4; the pawn on d5 drives the bishop from c4.",
        "Qh5 came first: it hits the pawn on f7 and the pawn on h4; now Nxe4 guards h5.",
        "The pawn on e5 was free: Nxe5; now Nxe4 guards e5.",
    ],
)
def test_false_themes_are_told_apart(sentence: str) -> None:
    board = chess.Board()
    for san in ("e4", "e5", "Bc4", "Nf6"):
        board.push_san(san)
    slip = board.parse_san("Nf3")
    assert false_claims(board, slip, ("f6e4", "f3e5", "d7d5"), sentence, ("d2d3", "b8c6"))
    true = "Nf3 leaves the pawn on e4 hanging, and Nxe4 takes it."
    assert false_claims(board, slip, ("f6e4", "f3e5", "d7d5"), true, ("d2d3", "b8c6")) == []
