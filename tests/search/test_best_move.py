"""What all losses are measured against: when the best move is searched once more, and when it is another."""

from __future__ import annotations

import chess

from tests.search.score_table import (
    BEST,
    CONFIRM,
    F3,
    RESTED,
    SIDE,
    START,
    Flat,
    Table,
    Told,
    after,
    examine,
)
from trapscan.model import Line
from trapscan.score import Score


def test_the_best_move_is_searched_until_its_score_is_at_rest() -> None:
    """Against +60 (E 0.585) f2f3 (-20) loses 0.114, against +20 (0.529) 0.058. A score that stands still ends the
    search at two thirds of the usual nodes, one that swings between the two at four times as many."""
    still: Told = {0: [("d2d4", 60)]}
    swinging: Told = {0: [("d2d4", 60)], 16_000: [("d2d4", 20)], 32_000: [("d2d4", 60)], 128_000: [("d2d4", 20)]}
    for says, nodes, slips in ((still, RESTED, ["f2f3"]), (swinging, 128_000, [])):
        table = Table({START.epd: says, F3: {0: [("e7e5", 20)]}})
        assert [slip.move for slip in examine(START, table, f2f3=0.05).slips] == slips
        assert table.spent(START.epd) == [nodes]


def test_the_best_move_is_not_searched_again() -> None:
    table, model = Table({START.epd: {0: [("e2e4", 30)]}}), Flat()
    found = examine(START, table, model=model, e2e4=0.5, d2d4=0.4)
    assert table.spent(after(START, "e2e4")) == []
    assert found.others[0] == ("e2e4", Score(chess.WHITE, cp=30), BEST)
    assert model.losses[-1]["e2e4"] == (0.0, 0.0)


def test_losses_are_measured_against_the_best_move_and_never_negative() -> None:
    """All moves lose where the position is lost: none of them is a slip. Better than best is a loss of nothing."""
    model, lost = Flat(), Table({START.epd: {0: [("e2e4", -600)]}, F3: {0: [("e7e5", 600)]}})
    better = after(START, "g2g4")
    lost.says[better] = {0: [("e7e5", 500)]}
    assert not examine(START, lost, model=model, f2f3=0.05, g2g4=0.04).slips
    assert model.losses[-1] == {"f2f3": (0.0, 0.0), "g2g4": (0.0, 0.0)}


def test_a_candidate_that_is_better_than_the_best_move_takes_its_place() -> None:
    """Against the first best move (0) f2f3 loses 0.03, against d2d4 (+150, E 0.70) it loses 0.23."""
    d4 = after(START, "d2d4")
    table = Table({START.epd: {0: [("e2e4", 0)]}, d4: {0: [("d7d5 c2c4", -150)]}, F3: {0: [("e7e5", 20)]}})
    found = examine(START, table, d2d4=0.05, f2f3=0.04, e2e4=0.03)
    assert found.best == Line(Score(chess.WHITE, cp=150), ("d2d4", "d7d5", "c2c4"))
    assert [slip.move for slip in found.slips] == ["f2f3", "e2e4"]
    assert table.spent(d4) == [2_000, RESTED]
    assert table.spent(F3) == [2_000, CONFIRM, SIDE], "what seemed harmless is looked at again"


def test_what_only_seems_better_than_the_best_move_is_not_believed() -> None:
    d4 = after(START, "d2d4")
    table = Table({START.epd: {0: [("e2e4", 0)]}, d4: {0: [("d7d5", -150)], 8_000: [("d7d5", 10)]}})
    found = examine(START, table, d2d4=0.05)
    assert (found.best.score, table.spent(d4)) == (Score(chess.WHITE, cp=0), [2_000, RESTED])


def test_where_all_others_would_be_slips_the_best_move_must_bear_it_out() -> None:
    """+100 (E 0.64) for e2e4 makes a slip of f2f3 (0); if e2e4 comes to 0 too there is none."""
    e4 = after(START, "e2e4")
    table = Table({START.epd: {0: [("e2e4 e7e5", 100)]}, e4: {0: [("e7e5", 0)]}, F3: {0: [("e7e5", 0)]}})
    found = examine(START, table, f2f3=0.05)
    assert not found.slips and found.best == Line(Score(chess.WHITE, cp=0), ("e2e4", "e7e5"))
    assert table.spent(e4) == [16_000], "as many nodes as fit into a third of the best move's"
    assert table.spent(F3) == [8_000], "what it had come to settles it"

    table.says[e4] = {0: [("e7e5", -100)]}
    found = examine(START, table, f2f3=0.05)
    assert [slip.move for slip in found.slips] == ["f2f3"] and found.best.score.cp == 100

    table = Table({**table.says, e4: {0: [("e7e5", 50)]}})  # then f2f3 is the better one
    found = examine(START, table, f2f3=0.05)
    assert not found.slips and found.best == Line(Score(chess.WHITE, cp=0), ("f2f3", "e7e5"))
