"""Kinds, costs, tolls and order of findings."""

from __future__ import annotations

import chess
import pytest

from trapscan import rank
from trapscan.chance import expected
from trapscan.score import Score

LEVELS = (1000, 1400, 2000)


@pytest.mark.parametrize(
    ("side", "victim", "held", "kind"),
    [
        ("white", chess.WHITE, True, "unsound"),
        ("white", chess.WHITE, False, "pitfall"),
        ("white", chess.BLACK, True, "trick"),
        ("white", chess.BLACK, False, "trick"),
        ("black", chess.BLACK, True, "unsound"),
        ("black", chess.BLACK, False, "pitfall"),
        ("black", chess.WHITE, True, "trick"),
        ("black", chess.WHITE, False, "trick"),
        ("both", chess.WHITE, True, "unsound"),
        ("both", chess.BLACK, True, "unsound"),
        ("both", chess.WHITE, False, "trick"),
        ("both", chess.BLACK, False, "trick"),
    ],
)
def test_kind(side: str, victim: chess.Color, held: bool, kind: str) -> None:
    assert rank.kind_of(victim=victim, side=side, held=held) == kind


def test_costs_per_level() -> None:
    def expects(score: Score, level: int) -> float:
        return 0.5 + (score.cp or 0) / 1000 * level / 1000

    best, slip = Score(chess.WHITE, cp=100), Score(chess.WHITE, cp=-100)
    assert rank.costs(best, slip, (1000, 2000), expects) == pytest.approx((0.2, 0.4))
    assert rank.costs(slip, best, (1000, 2000), expects) == (0.0, 0.0), "never below zero"


def test_costs_of_mates_with_the_real_expectation() -> None:
    """Walking into mate from a level position costs half a point, at most, whoever plays; a pawn costs less."""
    for side in chess.COLORS:
        level, mated, pawn = Score(side, cp=0), Score(side, mate=-1), Score(side, cp=-100)
        for mate, small in zip(
            rank.costs(level, mated, LEVELS, expected), rank.costs(level, pawn, LEVELS, expected), strict=True
        ):
            assert 0 < small < mate <= 0.5
            assert mate > 0.4


def test_toll_is_points_per_hundred_games() -> None:
    """Reached in one game of ten, played by one in five there, half a point each: one point in a hundred games."""
    assert rank.tolls((0.1, 1.0), (0.2, 0.0), (0.5, 0.5)) == pytest.approx((1.0, 0.0))
    with pytest.raises(ValueError):
        rank.tolls((0.1,), (0.2, 0.0), (0.5, 0.5))


def test_must_know_where_few_find_it_and_much_hangs_on_it() -> None:
    find, toll = (0.49, 0.5, 0.1, 0.1), (0.05, 1.0, 0.049, 2.0)
    assert rank.must_know(find, toll) == (True, False, False, True)


def test_ids_are_stable() -> None:
    """The id stands in reports that people keep: another value for the same finding would orphan them. Golden value:
    the first ten digits of `printf 'trick|EPD|f2f3' | sha256sum`."""
    epd = chess.Board().epd()
    assert epd == "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq -"
    assert rank.finding_id("trick", epd, "f2f3") == "316da747f9"
    different = {rank.finding_id(k, e, m) for k in ("trick", "bait") for e in (epd, "x") for m in ("f2f3", "g2g4")}
    assert len(different) == 8


def test_side_names() -> None:
    assert {rank.side_name(side).value: side for side in chess.COLORS} == rank.SIDES
