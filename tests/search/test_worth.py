"""What a move is worth against people, against a hand-made examination; ranges against the published calibration."""

from __future__ import annotations

import math

import chess
import pytest

from trapscan.chance import chance_range, expected
from trapscan.chance.calibration import TABLE
from trapscan.model import Examined, Line, Slip
from trapscan.score import Score
from trapscan.search import net, pays_below, worth
from trapscan.settings import Settings

SETTINGS = Settings(noise=0.06, best_nodes=10_000, levels=(1200, 2200), level=1200, sound=0.02)
# The position does not matter to the arithmetic, only who is to move: Black, after 1.e4.
EPD = "rnbqkbnr/pppppppp/8/8/4P3/8/PPPP1PPP/RNBQKBNR b KQkq -"


def black(cp: int) -> Score:
    return Score(chess.BLACK, cp=cp)


def examined(
    slips: dict[str, tuple[int, tuple[float, float]]], others: dict[str, tuple[int, tuple[float, float]]], best: int = 0
) -> Examined:
    """Moves with their score (Black's centipawns) and their chances at both levels."""
    return Examined(
        epd=EPD,
        best=Line(black(best), ("e7e5",)),
        slips=tuple(Slip(m, black(cp), ("g1f3",), (), 1000, 10_000) for m, (cp, _) in slips.items()),
        others=tuple((m, black(cp), 10_000) for m, (cp, _) in others.items()),
        chances={m: chances for m, (_, chances) in (slips | others).items()},
        candidates=len(slips) + len(others),
        searches=0,
        nodes=0,
    )


def exact(chance: float) -> tuple[float, float]:
    return chance, chance


def test_the_value_is_the_sum_over_replies_of_chance_and_score() -> None:
    after = examined(
        {"f7f6": (-300, (0.3, 0.05)), "g7g5": (-500, (0.1, 0.0))},
        {"e7e5": (0, (0.5, 0.9)), "a7a6": (-40, (0.1, 0.05))},
    )
    found = worth(after, SETTINGS, expected, exact)
    for i, level in enumerate(SETTINGS.levels):
        by_hand = sum(
            p[i] * expected(Score(chess.WHITE, cp=cp), level)
            for cp, p in ((300, (0.3, 0.05)), (500, (0.1, 0.0)), (0, (0.5, 0.9)), (40, (0.1, 0.05)))
        )
        assert found.value[i] == pytest.approx(by_hand)
        assert found.best[i] == 0.5
        assert 0 < found.slips[i] < found.gain[i], "a6 is weak, not a slip"
    assert found.value[0] > found.value[1]


def test_a_reply_as_good_as_the_best_or_better_adds_nothing() -> None:
    after = examined({}, {"e7e5": (0, (0.5, 0.5)), "a7a6": (-10, (0.3, 0.3)), "b7b6": (60, (0.2, 0.2))})
    assert worth(after, SETTINGS, expected, exact).gain == (0.0, 0.0)


def test_unexamined_replies_count_as_best_play() -> None:
    after = examined({"f7f6": (-300, (0.3, 0.3))}, {})
    value = worth(after, SETTINGS, expected, exact)
    assert value.gain[0] == pytest.approx(0.3 * (expected(Score(chess.WHITE, cp=300), 1200) - 0.5))


def test_the_errors_of_the_chances_are_carried_through() -> None:
    after = examined({"f7f6": (-300, (0.2, 0.2))}, {"e7e5": (0, (0.8, 0.8))})
    found = worth(after, SETTINGS, expected, lambda p: (p / 2, 1.5 * p))
    assert found.less == pytest.approx([gain / 2 for gain in found.gain])
    assert found.more == pytest.approx([gain / 2 for gain in found.gain])
    still = worth(after, SETTINGS, expected, exact)
    with_chances, alone = net(found, still), net(still, still)
    assert alone.net == (0.0, 0.0)
    assert with_chances.low[0] < alone.low[0] < 0 < alone.high[0] < with_chances.high[0]


def test_a_mate_is_worth_a_point() -> None:
    after = examined({}, {"e7e5": (0, (0.5, 0.5))})
    mated = Slip("g7g5", Score(chess.BLACK, mate=-1), ("d1h5",), (), 1000, 10_000)
    after = Examined(after.epd, after.best, (mated,), after.others, {**after.chances, "g7g5": (0.5, 0.5)}, 2, 0, 0)
    assert worth(after, SETTINGS, expected, exact).value == pytest.approx((0.75, 0.75))


@pytest.mark.parametrize(
    ("values", "ends"),
    [((0.03, 0.01, -0.01, -0.02), 1400), ((0.03, 0.02, 0.02, 0.01), None), ((0.03, -0.01, 0.01, 0.0), 1600)],
)
def test_the_level_from_which_it_no_longer_pays(values: tuple[float, ...], ends: int | None) -> None:
    assert pays_below(values, (1000, 1200, 1400, 1600)) == ends


def test_the_range_of_a_chance_holds_what_was_seen_and_said() -> None:
    for said, seen, moves in TABLE:
        low, high = chance_range(said)
        assert low <= min(said, seen) and high >= max(said, seen) * 0.999
        error = 2 * math.sqrt(seen * (1 - seen) / moves)
        assert low == pytest.approx(min(said, seen - error)) and high == pytest.approx(max(said, seen + error))
    assert chance_range(0.0) == (0.0, 0.0)
    assert all(0 <= low <= p <= high <= 1 for p in (0.001, 0.02, 0.5, 1.0) for low, high in [chance_range(p)])
