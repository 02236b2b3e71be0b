"""What the repertoire answers to a slip: who lets it off, and who does not. Scores are invented."""

from __future__ import annotations

from dataclasses import replace

import chess
import pytest

from tests.authors import author_of
from trapscan.contract import Nature, SlipKind
from trapscan.explain import Explanation
from trapscan.job.assemble import also_of
from trapscan.job.judging import prepared_answer, prepared_of
from trapscan.job.owned import Owned
from trapscan.job.positions import ExplainedSlip, Outcome
from trapscan.job.state import ScanState
from trapscan.job.verdict import Verdict
from trapscan.model import Examined, Line, Position, Slip
from trapscan.rank import kind_of
from trapscan.score import Score
from trapscan.settings import Settings

B, W = chess.BLACK, chess.WHITE
SLIP, RIGHT, ALSO, BEST, HALF, POOR = "f7f6", "f3e5", "f1c4", "d2d4", "b1c3", "a2a3"
"""1.e4 e5 2.Nf3 f6: what Black plays, and what White might answer."""

BEFORE = "e2e4 e7e5 g1f3"
EXPLAINED = Explanation("pawn", 1.0, 1, 1, (), "", "", False)


def position(moves: str, *prepared: str) -> Position:
    board = chess.Board()
    for uci in moves.split():
        board.push_uci(uci)
    return Position(board.epd(), chess.STARTING_FEN, tuple(moves.split()), 1, prepared)


def outcome(at: Position, best: Line, others: dict[str, Score], slips: tuple[Slip, ...] = ()) -> Outcome:
    seen = Examined(at.epd, best, slips, tuple((m, s, 1000) for m, s in others.items()), {}, 1, 1, 1)
    return Outcome(seen, tuple(ExplainedSlip(slip, EXPLAINED, (), ()) for slip in slips), ())


def seen(answer: str, *, searched: bool = True) -> tuple[ScanState, Position, ExplainedSlip]:
    """The slip loses 0.26 (from even to -200). White's best move keeps it all, HALF 120 of 200 centipawns, POOR 20."""
    first, after = position(BEFORE, SLIP), position(f"{BEFORE} {SLIP}", *([answer] if answer else []))
    slip = Slip(SLIP, Score(B, cp=-200), (RIGHT,), (ALSO,), 1000, 1000)
    outcomes = {first.epd: outcome(first, Line(Score(B, cp=0), ("b8c6",)), {}, (slip,))}
    if searched:
        answers = {HALF: Score(W, cp=120), POOR: Score(W, cp=20), RIGHT: Score(W, cp=200)}
        outcomes[after.epd] = outcome(after, Line(Score(W, cp=210), (BEST,)), answers)
    author = author_of("white", f"{BEFORE} {SLIP} {answer}")
    known = ScanState({first.epd: first, after.epd: after}, outcomes, {}, author, lambda epd: (0,), Settings())
    return known, first, outcomes[first.epd].told[0]


def right(answer: str, nature: Nature = Nature.TACTIC, *, searched: bool = True, verdict: int | None = None) -> bool:
    known, first, told = seen(answer, searched=searched)
    best = Line(Score(B, cp=0), ("b8c6",))
    if verdict is not None:
        looked = Verdict(SLIP, told.slip, EXPLAINED, Score(B, cp=verdict))
        known = replace(known, verdicts={(first.epd, SLIP): (best, looked)})
    found = prepared_of(Owned.of(known, first, first.board(), SLIP), told, best, nature)
    assert found is not None and len(found.answers) == (answer != "")
    return found.right


@pytest.mark.parametrize(("answer", "good"), [(RIGHT, True), (ALSO, True), (BEST, True), (HALF, True), (POOR, False)])
def test_an_answer_that_keeps_half_does_not_let_it_off(answer: str, good: bool) -> None:
    assert right(answer) == good


def test_nothing_is_said_without_a_search_and_nothing_of_a_gambit() -> None:
    assert right(POOR, searched=False), "the benefit of the doubt"
    assert right(POOR, Nature.GAMBIT) and not right("", Nature.GAMBIT), "no answer is no right one"


def test_a_long_look_at_the_answer_has_the_last_word() -> None:
    assert right(POOR, verdict=-150) and not right(HALF, verdict=-30)


def test_the_answer_that_is_measured_and_the_best_move_among_those_that_punish() -> None:
    known, first, told = seen(POOR)
    assert prepared_answer(known, first.epd, SLIP) == POOR and prepared_answer(known, first.epd, "b8c6") == ""
    after = first.board()
    after.push_uci(SLIP)
    assert also_of(known, after, told.slip) == (ALSO, BEST)
    assert also_of(known, after, replace(told.slip, refutation=(BEST,), also=())) == ()


@pytest.mark.parametrize(
    ("side", "lines", "warned"),
    [
        ("black", [f"{BEFORE} {SLIP} {RIGHT}"], False),  # all that is played there
        ("black", [f"{BEFORE} {SLIP} {RIGHT}", f"{BEFORE} b8c6"], True),
        ("black", [f"{BEFORE} b8c6", f"{BEFORE} {SLIP} {POOR}"], False),
        ("black", [f"{BEFORE} b8c6", f"{BEFORE} {SLIP}$1 {RIGHT}"], False),  # praised
        ("black", [f"{BEFORE} b8c6", f"{BEFORE} {SLIP}$6 {RIGHT}"], True),
        ("black", [f"{BEFORE} {SLIP}$2 {POOR}"], True),
        ("black", [f"{BEFORE} {SLIP}$4"], True),
        ("both", [f"{BEFORE} {SLIP} {RIGHT}"], True),
        ("both", [f"{BEFORE} {SLIP} {POOR}"], False),
        ("white", [f"{BEFORE} {SLIP}$4"], True),
    ],
)
def test_what_the_author_shows_as_a_mistake(side: str, lines: list[str], warned: bool) -> None:
    known, first, told = seen(RIGHT)
    known = replace(known, author=author_of(side, *lines), chapters=lambda epd: tuple(range(len(lines))))
    owned = Owned.of(known, first, first.board(), SLIP)
    prepared = prepared_of(owned, told, Line(Score(B, cp=0), ("b8c6",)), Nature.TACTIC)
    assert owned.warned(prepared) == warned
    if side == "black":
        kind = kind_of(victim=B, side=owned.side, held=not warned)
        slips = frozenset({SLIP})
        wanted = "wrong" if kind == "unsound" else "right" if len(lines) > 1 else "none"
        assert owned.state(kind, prepared, slips) == wanted
        assert owned.state(SlipKind.PITFALL, None, frozenset({SLIP, "b8c6"})) == ("wrong" if len(lines) > 1 else "none")
