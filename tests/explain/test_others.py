"""What to play instead, look-alikes, move orders, poison: on the Sicilian example (common practice, no source)
1.e4 c5 2.Nf3 e6 3.d4 cxd4 4.Nxd4 Nf6: 5.e5? Qa5+ wins a pawn; with the knight on c3 it does not."""

from __future__ import annotations

import random

import chess
import pytest

from trapscan.explain import Candidate, instead, look_alikes, move_order_hint
from trapscan.explain.compare import _one_move_ahead, differing, reason
from trapscan.explain.instead import answers
from trapscan.explain.tempt import is_poisoned, why_tempting
from trapscan.model import Line
from trapscan.score import Score

SLIP, PUNISH = chess.Move.from_uci("e4e5"), chess.Move.from_uci("d8a5")


def after(moves: str) -> chess.Board:
    board = chess.Board()
    for san in moves.split():
        board.push_san(san)
    return board


SICILIAN = "e4 c5 Nf3 e6 d4 cxd4 Nxd4 Nf6"


def candidate(board: chess.Board, line: tuple[str, ...], cp_best: int, cp_move: int) -> Candidate:
    return Candidate(board, board.fen(en_passant="legal"), line, cp_best, cp_move)


def test_good_moves_come_likeliest_first() -> None:
    board = after(SICILIAN)
    white = chess.WHITE
    best = Line(Score(white, cp=40), ("b1c3", "d7d6"))
    others = [
        ("f1d3", Score(chess.BLACK, cp=-35), 0.02),
        ("e4e5", Score(white, cp=-90), 0.01),
        ("f2f3", Score(white, cp=-60), 0.01),
    ]
    chances = {"b1c3": (0.2, 0.3), "f1d3": (0.5, 0.1), "e4e5": (0.2, 0.2)}
    shown = instead(board, best, others, chances, 0, slip="e4e5", punish="d8a5")
    assert [move.san for move in shown] == ["Bd3", "Nc3"]
    assert [move.cp for move in shown] == [35, 40]
    assert [move.san for move in instead(board, best, others, chances, 1)] == ["Nc3", "Bd3"]
    assert shown[1].answers == "closes the line of the check on a5"


@pytest.mark.parametrize(
    ("cp", "error", "advised"),
    [(20, 0.024, True), (20, 0.026, False), (0, 0.01, True), (0, 0.02, False), (40, 0.02, False), (-20, 0.0, False)],
)
def test_only_a_move_that_was_looked_at_well_enough_is_advised(cp: int, error: float, advised: bool) -> None:
    best = Line(Score(chess.WHITE, cp=20), ("e2e4",))
    shown = instead(chess.Board(), best, [("d2d4", Score(chess.WHITE, cp=cp), error)], {}, 0, slip="f2f3")
    assert ("d2d4" in {move.uci for move in shown}) is advised


def test_at_most_three_and_never_the_slip() -> None:
    board = chess.Board()
    others = [(move.uci(), Score(chess.WHITE, cp=20), 0.01) for move in board.legal_moves]
    shown = instead(board, Line(Score(chess.WHITE, cp=20), ("e2e4",)), others, {}, 0, slip="d2d4")
    assert len(shown) == 3 and "d2d4" not in {move.uci for move in shown}


def test_no_slip_is_ever_advised_not_even_the_engine_s_first_choice() -> None:
    """The best line of the first, shallower look may begin with a move that the deeper look finds to be a slip."""
    board = after(SICILIAN)
    white = chess.WHITE
    best = Line(Score(white, cp=60), ("e4e5", "d8a5"))
    others = [
        ("b1c3", Score(white, cp=55), 0.0),
        ("f1d3", Score(white, cp=50), 0.0),
        ("f2f3", Score(white, cp=52), 0.0),
    ]
    for slip in ("e4e5", "f2f3"):
        shown = instead(board, best, others, {}, 0, slip=slip, punish="d8a5", slips=("e4e5", "f2f3"))
        assert {move.uci for move in shown} == {"b1c3", "f1d3"}
    shown = instead(board, best, others, {}, 0, slip="e4e5")
    assert "e4e5" not in {move.uci for move in shown}


def test_answers_name_what_a_move_does() -> None:
    board = after("e4 e5 Nf3 Nc6 Bc4 Nf6 Ng5")
    assert answers(board, board.parse_san("d5")) == "attacks the bishop on c4 and the pawn on e4"
    board = after("e4 c5 Nf3 e6 d4 cxd4 Nxd4 Nf6 e5")
    assert answers(board, board.parse_san("Qa5+")) == "gives check and goes for the pawn on e5"
    board = after("e4 e5 Qh5")  # 2...g6? 3.Qxe5+ wins the rook
    assert answers(board, board.parse_san("Nc6"), slip="g7g6", punish="h5e5") == "guards the pawn on e5"


def test_look_alike_says_what_has_become_of_the_refutation() -> None:
    here, there = after(SICILIAN), after(SICILIAN + " Nc3 a6")
    far = after("e4 c5 Nc3 Nc6 Nge2 e5 d3 Nf6 g3 d6")
    shown = look_alikes(here, SLIP, PUNISH, [candidate(far, ("e4",), 0, 0), candidate(there, ("e4", "c5"), 30, 25)])
    assert [item.fen for item in shown] == [there.fen(en_passant="legal")]  # the other differs in too many squares
    assert shown[0].squares == ("b1", "c3", "a6", "a7")
    assert shown[0].reason == "With the knight on c3 there is no check on a5."
    assert shown[0].cp_best == 30 and shown[0].cp_move == 25


def test_no_reason_where_none_can_be_seen() -> None:
    here = after(SICILIAN)
    assert reason(here, here, SLIP, PUNISH) == ""
    assert differing(here, here) == ()


def test_which_move_must_not_be_delayed() -> None:
    here, there = after(SICILIAN), after(SICILIAN + " Nc3 a6")
    sound = candidate(there, (), 30, 25)
    hint = move_order_hint(here, SLIP, [sound])
    assert hint == "The order matters: first the knight goes to c3, only then the pawn advances to e5."
    assert move_order_hint(here, SLIP, [sound], good=("f1d3",)) == ""
    assert move_order_hint(here, SLIP, [sound], good=()) == ""  # no good move: nothing may come first
    assert move_order_hint(here, SLIP, []) == ""


def _ahead_by_trying(board: chess.Board, other: chess.Board) -> list[chess.Move]:
    """The same question, asked of every pair of moves, boards compared by what FEN says of them."""
    found, goal = [], other.board_fen()
    for move in board.legal_moves:
        between = board.copy(stack=False)
        between.push(move)
        ends = [between.board_fen()]
        for reply in list(between.legal_moves):
            if not between.is_en_passant(reply):
                between.push(reply)
                ends.append(between.board_fen())
                between.pop()
        if goal in ends:
            found.append(move)
    return found


def test_the_other_side_may_have_castled_meanwhile() -> None:
    board, other = after("e4 e5 Nf3 Nf6 Bc4 Bc5"), after("e4 e5 Nf3 Nf6 Bc4 Bc5 d3 O-O")
    assert _one_move_ahead(board, other) == chess.Move.from_uci("d2d3")
    assert _one_move_ahead(
        after("e4 e5 Nf3 Nc6 Bc4 Bc5"), after("e4 e5 Nf3 Nc6 Bc4 Bc5 O-O Nf6")
    ) == chess.Move.from_uci("e1g1")


@pytest.mark.parametrize(
    ("start", "seed"),
    [
        (chess.STARTING_FEN, 1),
        ("r3k2r/pppqppbp/2npbnp1/8/8/2NPBNP1/PPPQPPBP/R3K2R w KQkq - 0 1", 2),  # castling on all sides
        ("rnbqkbnr/ppp1pppp/8/8/3pP3/8/PPPP1PPP/RNBQKBNR w KQkq - 0 1", 3),  # en passant
        ("8/P6k/8/8/8/8/p6K/8 w - - 0 1", 4),  # promotions
    ],
)
def test_one_move_ahead_is_what_trying_everything_finds(start: str, seed: int) -> None:
    draw, told, none = random.Random(seed), 0, 0
    for _ in range(15):
        board = chess.Board(start)
        for _ in range(draw.randrange(4)):
            board.push(draw.choice(list(board.legal_moves)))
        other = board.copy(stack=False)
        for _ in range(draw.choice((1, 2, 2, 3))):
            if any(other.legal_moves):
                other.push(draw.choice(list(other.legal_moves)))
        found, tried = _one_move_ahead(board, other), _ahead_by_trying(board, other)
        assert (found in tried) if tried else found is None
        told, none = told + bool(tried), none + (not tried)
    assert told >= 5 and none


def test_poison() -> None:
    greedy = after("e4 e5 Nf3 Nc6 Bc4 Nd4")  # 4.Nxe5 takes a pawn that looks free
    assert is_poisoned(greedy, greedy.parse_san("Nxe5"))
    assert not is_poisoned(greedy, greedy.parse_san("O-O"))
    sacrifice = after("e4 e5 Nf3 Nc6 Bc4 Nf6 d3 Bc5")
    assert not is_poisoned(sacrifice, sacrifice.parse_san("Bxf7+"))  # gives a bishop for a pawn, no bait taken


def test_temptations_are_read_off_the_board() -> None:
    board = after("e4 e5 Nf3 d6 Bc4 Bg4 Nc3 Nc6 h3 Bh5 Nxe5")
    assert why_tempting(board, board.parse_san("Bxd1")) == "It takes the queen on d1."
    board = after("e4 c5 Nf3 e6 d4 cxd4 Nxd4 Nf6")
    assert why_tempting(board, SLIP) == "It chases the knight on f6."
    board = after("e4 e5 Nf3 Nc6 Bc4 Bc5")
    assert "king into safety" in why_tempting(board, board.parse_san("O-O"))


def test_a_pawn_that_goes_for_a_pawn_is_said_to_do_so_once() -> None:
    """1.b4 is a pawn that can be taken; 1...d5 2.c4 only meets one that is guarded (by hand)."""
    for line, move, said in (
        ("b4 d5 Bb2 Nf6 Nf3", "c5", "It goes for the pawn on b4."),
        ("g3 f5", "e4", "It goes for the pawn on f5."),
        ("d4 d5", "c4", "It strikes at the pawn on d5."),
    ):
        board = after(line)
        assert why_tempting(board, board.parse_san(move)) == said
