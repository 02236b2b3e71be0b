"""Properties of the join, whatever its weights."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trapscan.chance.correction import JOIN

LEVELS = (800, 1500, 2400)
MOVES = ("a", "b", "c", "d", "e")


@st.composite
def cases(draw: st.DrawFn) -> tuple[dict[str, tuple[float, ...]], dict[str, tuple[float, float]]]:
    columns = []
    for _ in LEVELS:
        raw = [draw(st.integers(1, 1000)) for _ in MOVES]
        columns.append([x / sum(raw) for x in raw])
    chances = {move: tuple(column[i] for column in columns) for i, move in enumerate(MOVES)}
    seen = draw(st.sets(st.sampled_from(MOVES)))
    return chances, {move: (draw(st.floats(0, 1)), draw(st.floats(0, 1))) for move in sorted(seen)}


@given(cases())
def test_sums_stay_one_and_unexamined_moves_keep_their_share(case) -> None:  # type: ignore[no-untyped-def]
    chances, losses = case
    joined = JOIN.apply(chances, losses, LEVELS)
    assert list(joined) == list(chances)
    for column in zip(*joined.values(), strict=True):
        assert sum(column) == pytest.approx(1, abs=1e-6)
        assert min(column) >= 0
    for move in set(chances) - set(losses):
        assert joined[move] == chances[move]


def test_a_blunder_is_less_likely_than_an_equal_looking_sound_move_above_all_for_the_strong() -> None:
    chances = {"sound": (0.5,) * 3, "blunder": (0.5,) * 3}
    joined = JOIN.apply(chances, {"sound": (0.0, 0.0), "blunder": (0.4, 0.4)}, LEVELS)
    assert joined["blunder"][0] < 0.5
    assert joined["blunder"][2] < joined["blunder"][0]


def test_a_loss_that_only_depth_shows_counts_less_than_one_in_plain_sight() -> None:
    chances = {"sound": (0.5,) * 3, "slip": (0.5,) * 3}
    plain = JOIN.apply(chances, {"sound": (0.0, 0.0), "slip": (0.3, 0.3)}, LEVELS)
    hidden = JOIN.apply(chances, {"sound": (0.0, 0.0), "slip": (0.03, 0.3)}, LEVELS)
    assert hidden["slip"][1] > plain["slip"][1]


def test_one_examined_move_changes_nothing() -> None:
    chances = {"a": (0.5,) * 3, "b": (0.5,) * 3}
    assert JOIN.apply(chances, {"a": (0.2, 0.3)}, LEVELS) == chances
