"""Counting: exchanges on a square, captures played out, and how a gain is named."""

from __future__ import annotations

from collections.abc import Sequence

import chess
import pytest

from trapscan.explain import explain_slip
from trapscan.explain.exchange import balance, exchange, settle
from trapscan.explain.gain import Gain, Tally, classify, weigh, won_and_paid
from trapscan.explain.play import Play
from trapscan.model import Line
from trapscan.score import Score

Q, R, B, N, P = chess.QUEEN, chess.ROOK, chess.BISHOP, chess.KNIGHT, chess.PAWN


@pytest.mark.parametrize(
    "tally, name",
    [
        ({Q: 1}, "queen"),
        ({Q: 1, N: -1, B: -1}, "queen"),  # queen for two pieces
        ({Q: 1, R: -1, N: -1}, "pawn"),  # queen for rook and knight: one pawn's worth
        ({R: 1}, "rook"),
        ({R: 1, N: -1}, "exchange"),
        ({R: 1, B: -1, P: 1}, "exchange"),
        ({N: 1, B: 1, R: -1}, "piece"),  # two pieces for a rook
        ({N: 1}, "piece"),
        ({N: 1, P: -1}, "piece"),
        ({N: 1, P: -3}, "attack"),
        ({P: 1}, "pawn"),
        ({P: 2}, "pawn"),
        ({Q: 1, P: -1}, "queen"),  # a promotion
        ({P: -1}, "attack"),  # a pawn given for the attack
        ({}, "attack"),
    ],
)
def test_gains_are_named_after_what_is_won(tally: Tally, name: str) -> None:
    assert classify(tally) == name


def test_en_passant_and_promotion_count() -> None:
    board = chess.Board("4k3/8/8/3pP3/8/8/8/4K3 w - d6 0 1")
    assert exchange(board, chess.Move.from_uci("e5d6")) == 1
    board = chess.Board("4k3/P7/8/8/8/8/8/4K3 w - - 0 1")
    assert exchange(board, chess.Move.from_uci("a7a8q")) == 8


def test_exchange_stops_where_going_on_would_cost() -> None:
    # queen takes a pawn that a pawn guards: a pawn for a queen
    board = chess.Board("4k3/8/2p5/3p4/8/8/8/3QK3 w - - 0 1")
    assert exchange(board, chess.Move.from_uci("d1d5")) == 1 - 9
    # with a rook in front on the file as well the pawn is attacked twice, guarded once: still a rook for a pawn
    board = chess.Board("4k3/8/2p5/3p4/8/3R4/8/3QK3 w - - 0 1")
    assert exchange(board, chess.Move.from_uci("d3d5")) == 1 - 5 + 1


def test_a_pinned_guard_guards_nothing() -> None:
    board = chess.Board("4k3/4r3/8/3n4/8/8/8/3RKR2 w - - 0 1")
    board.set_piece_at(chess.E6, chess.Piece.from_symbol("p"))
    assert exchange(board, chess.Move.from_uci("d1d5")) == 3 - 5  # the pawn on e6 takes back
    board.set_piece_at(chess.E1, chess.Piece.from_symbol("Q"))
    board.set_piece_at(chess.E7, None)
    board.set_piece_at(chess.A1, chess.Piece.from_symbol("K"))
    assert exchange(board, chess.Move.from_uci("d1d5")) == 3  # pinned against its king by the queen


def test_settle_plays_captures_out() -> None:
    board = chess.Board("4k3/8/8/3n4/8/8/8/3RK3 w - - 0 1")
    value, moves = settle(board, chess.WHITE)
    assert balance(board, chess.WHITE) == 2
    assert value == 5 and moves == (chess.Move.from_uci("d1d5"),)


def gain_of(
    fen: str, slip: str, line: Sequence[str], cp_before: int = 0, cp_after: int = -300, best: tuple[str, ...] = ()
) -> Gain:
    board = chess.Board(fen)
    side = board.turn
    return weighed(board, slip, Line(Score(side, cp=cp_before), best), Score(side, cp=cp_after), line)


def weighed(board: chess.Board, slip: str, best: Line, slip_score: Score, line: Sequence[str]) -> Gain:
    """The gain of a refutation given as UCI moves."""
    move, after = chess.Move.from_uci(slip), board.copy()
    after.push(move)
    return weigh(board, move, best, slip_score, Play.along(after, line))


def test_a_missed_recapture_is_a_piece_lost() -> None:
    """White has just taken a knight that a pawn guards. The best move takes back; the slip does not; nothing else
    happens. The knight is lost, less the pawn that the best line gives."""
    board = chess.Board("4k3/8/8/4p3/3n4/4PN2/8/4K3 w - - 0 1")
    board.push_uci("f3d4")
    best = Line(Score(chess.BLACK, cp=0), ("e5d4", "e3d4", "e8e7"))
    gain = weighed(board, "e8e7", best, Score(chess.BLACK, cp=-300), ("d4f3", "e5e4", "f3d4", "e7d6"))
    assert gain.kind == "piece" and gain.material == 3 - 1 and gain.missed is None
    # the same position without the move before: what was just taken is not known, and a chance is let go
    bare = weighed(
        chess.Board(board.fen()), "e8e7", best, Score(chess.BLACK, cp=-300), ("d4f3", "e5e4", "f3d4", "e7d6")
    )
    assert (bare.kind, bare.missed) == ("attack", chess.D4)


def words(text: str) -> tuple[str, ...]:
    return tuple(text.split())


def test_the_chance_let_go_is_what_is_there_more_in_the_end() -> None:
    """Evans Gambit: 7.d4 wins the pawn on e5 back and trades queens on the way; after 7.Bd5 that chance is gone,
    which is a pawn's, not a queen's, and nothing is lost (scores and lines by Stockfish 15.1)."""
    board = chess.Board("r1bqk1nr/ppp2ppp/2np4/b3p3/2B1P3/2P2N2/P2P1PPP/RNBQ1RK1 w kq - 0 7")
    best = Line(Score(chess.WHITE, cp=-23), words("d2d4 a5b6 d4e5 d6e5 d1d8 c6d8 f3e5 g8f6 b1d2 e8g8 f1e1 f8e8 d2f3"))
    reply = words("g8e7 d5b3 e7g6 b1a3 c8d7 a3c4 h7h6 b3a4 a5b6 a4b3 e8g8 d2d4")
    gain = weighed(board, "c4d5", best, Score(chess.WHITE, cp=-118), reply)
    assert (gain.kind, gain.material, gain.missed) == ("attack", 0.0, chess.E5)


def test_what_the_line_does_not_end_with_is_no_gain() -> None:
    """5...b6 in the Queen's Pawn Game, where the exchanges that might follow in the sixth ply of the engine's line are
    not played in it, and at its end nothing is won (scores and lines by Stockfish 15.1)."""
    board = chess.Board("r1bqkb1r/pppnpp1p/5np1/3p2B1/3P4/2N1PN2/PPP2PPP/R2QKB1R b KQkq - 0 5")
    best = Line(Score(chess.BLACK, cp=5), words("f8g7 a2a4 c7c5 f1e2 e8g8 e1g1 b7b6"))
    reply = words("f1b5 f8g7 f3e5 e8f8 e5c6 d8e8 c6e5 h7h6 g5f6 e7f6 e5c6")
    gain = weighed(board, "b7b6", best, Score(chess.BLACK, cp=-183), reply)
    assert (gain.kind, gain.material) == ("attack", 0.0)


def test_what_comes_back_before_the_line_may_be_cut_is_no_gain() -> None:
    """5...d5 in the Philidor, where White is a pawn up after 6.Nxd5 and while the exchanges go on; when they are over,
    the pawn on e4 has fallen for it (scores and lines by Stockfish 15.1)."""
    board = chess.Board("r1bqkb1r/pppn1ppp/3p1n2/4p3/2BPP3/2N2N2/PPP2PPP/R1BQK2R b KQkq - 3 5")
    best = Line(Score(chess.BLACK, cp=-62), words("h7h6 a2a4 f8e7 d4e5 d6e5 d1e2 c7c6 e1g1 e8g8 f1d1 d8c7 f3h4"))
    exchanges = words("c3d5 e5d4 c1g5 h7h6 g5h4 c7c6 d5f6 d7f6 d1d4 d8d4 f3d4 f6e4")
    gain = weighed(board, "d6d5", best, Score(chess.BLACK, cp=-179), (*exchanges, "e1c1"))
    assert (gain.kind, gain.material) == ("attack", 0.0)


def test_mate_keeps_its_distance() -> None:
    fen = "4k3/5ppp/8/8/8/8/8/3RK3 b - - 0 1"
    board = chess.Board(fen)
    told = explain_slip(
        board,
        chess.Move.from_uci("e8f8"),
        best=Line(Score(chess.BLACK, cp=-300), ("h7h6",)),
        slip_score=Score(chess.BLACK, mate=-1),
        refutation=("d1d8",),
    )
    assert (told.gain, told.ply, told.line, told.material) == ("mate", 1, 1, 0.0)
    far = gain_of(fen, "e8f8", ["d1d7"])
    assert far.kind != "mate"
    board_score = Score(chess.BLACK, mate=-4)
    far = weighed(board, "e8f8", Line(Score(chess.BLACK, cp=0), ()), board_score, ["d1d7"])
    assert (far.kind, far.mate, far.ply, far.line) == ("mate", 4, 7, 1)


def test_scores_may_come_from_either_side() -> None:
    fen = "4k3/8/8/3n4/8/8/8/3RK3 b - - 0 1"
    board = chess.Board(fen)
    slip = chess.Move.from_uci("e8e7")
    best = Line(Score(chess.BLACK, cp=-200), ("d5f6",))
    seen = [
        explain_slip(board, slip, best=best, slip_score=score, refutation=("d1d5",))
        for score in (Score(chess.BLACK, cp=-500), Score(chess.WHITE, cp=500))
    ]
    assert seen[0] == seen[1] and seen[0].gain == "piece"


def test_words_for_what_is_won() -> None:
    fen = "4k3/8/8/3n4/8/8/8/3RK3 b - - 0 1"
    gain = gain_of(fen, "e8e7", ["d1d5"])
    assert won_and_paid(gain) == (["a knight"], [])


def test_an_empty_refutation_is_no_crash() -> None:
    board = chess.Board()
    told = explain_slip(
        board,
        chess.Move.from_uci("f2f3"),
        best=Line(Score(chess.WHITE, cp=30), ()),
        slip_score=Score(chess.WHITE, cp=-80),
        refutation=(),
    )
    assert told.gain == "attack" and told.why_it_fails == "" and told.line == 0
