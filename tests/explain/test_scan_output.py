"""Look-alikes and move orders where a reader meets them: in the findings of a scan.

1.e4 c5 2.Nf3 e6 3.d4 cxd4 4.Nxd4 Nf6: 5.e5? Qa5+ wins a pawn; after 5.Nc3 a6 the same advance is sound (common
practice, no source). The scores are written by hand; no engine is asked.
"""

from __future__ import annotations

import chess

from tests.authors import author_of
from trapscan.contract import SlipFinding
from trapscan.explain import explain_slip
from trapscan.job.assemble import findings
from trapscan.job.positions import ExplainedSlip, Outcome
from trapscan.job.state import ScanState
from trapscan.model import Examined, Line, Position, Slip
from trapscan.score import Score
from trapscan.settings import load

SETTINGS = load("quick", {"levels": (1500,), "level": 1500})


def position(moves: str) -> Position:
    board, line = chess.Board(), []
    for san in moves.split():
        line.append(board.push_san(san).uci())
    return Position(board.epd(), chess.STARTING_FEN, tuple(line), 1)


def examined(place: Position, best: Line, slips: tuple[Slip, ...], others: dict[str, int]) -> Examined:
    """An `Examined` with the scores of `others` in centipawns, White's view."""
    scored = tuple((move, Score(chess.WHITE, cp=cp), 1000) for move, cp in others.items())
    moves = {move.uci() for move in place.board().legal_moves}
    chances = {move: (1 / len(moves),) for move in moves}
    return Examined(place.epd, best, slips, scored, chances, len(others) + len(slips), 1, 1000)


def told(place: Position, best: Line, slip: Slip) -> ExplainedSlip:
    explanation = explain_slip(
        place.board(), chess.Move.from_uci(slip.move), best=best, slip_score=slip.score, refutation=slip.refutation
    )
    return ExplainedSlip(slip, explanation, (), (0.2,))


def scan_of(best_move: str) -> SlipFinding:
    """The finding 5.e5 of a scan that also saw 5.Nc3 a6 6.e5, where it is sound; `best_move` is the best fifth move."""
    here, there = position("e4 c5 Nf3 e6 d4 cxd4 Nxd4 Nf6"), position("e4 c5 Nf3 e6 d4 cxd4 Nxd4 Nf6 Nc3 a6")
    best = Line(Score(chess.WHITE, cp=45), (best_move, "d7d6"))
    slip = Slip("e4e5", Score(chess.WHITE, cp=-120), ("d8a5", "b1c3", "a5e5"), (), 1000, 1000)
    outcomes = {
        here.epd: Outcome(examined(here, best, (slip,), {"f2f3": -60}), (told(here, best, slip),), ()),
        there.epd: Outcome(examined(there, Line(Score(chess.WHITE, cp=90), ("e4e5", "f6d5")), (), {}), (), ()),
    }
    reach = {(epd, side): (0.1,) for epd in outcomes for side in (chess.WHITE, chess.BLACK)}
    author = author_of("black", " ".join(here.moves))
    known = {here.epd: here, there.epd: there}
    (finding,) = findings(ScanState(known, outcomes, reach, author, lambda epd: (0,), SETTINGS))
    return finding


def test_a_scan_says_which_move_must_not_be_delayed() -> None:
    finding = scan_of("b1c3")
    assert finding.move_order_hint == (
        "The order matters: first the knight goes to c3, only then the pawn advances to e5."
    )
    (look_alike,) = finding.look_alikes
    assert look_alike.squares == ("b1", "c3", "a6", "a7")
    assert look_alike.reason == "With the knight on c3 there is no check on a5."


def test_a_move_that_is_not_good_must_not_come_first() -> None:
    """The other order shows Nc3; where Nc3 is not among the good moves nothing is said of it."""
    assert scan_of("f1d3").move_order_hint == ""
