"""Lists with one number per level."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from trapscan.levels import Lens, at_level

LEVELS = (1000, 1200, 1600, 2000)


@given(st.floats(0, 4000), st.lists(st.floats(-9, 9), min_size=4, max_size=4))
def test_as_numpy_interpolates(level: float, values: list[float]) -> None:
    assert at_level(values, LEVELS, level) == pytest.approx(float(np.interp(level, LEVELS, values)), abs=1e-9)


def test_the_only_level() -> None:
    assert [at_level((7.0,), (1500,), level) for level in (600, 1500, 2600)] == [7.0, 7.0, 7.0]


@pytest.mark.parametrize(("values", "levels"), [((1.0, 2.0), LEVELS), ((), ())])
def test_lists_that_do_not_fit(values: tuple[float, ...], levels: tuple[int, ...]) -> None:
    with pytest.raises(ValueError):
        at_level(values, levels, 1500)


def test_flags_are_those_of_the_nearest_level() -> None:
    flags = (True, False, True, False)
    told = [Lens(LEVELS, level).flag(flags) for level in (800, 1100, 1101, 1450, 3000)]
    assert told == [True, True, False, True, False]
    assert not Lens(LEVELS, 1000).flag(())
    assert Lens(LEVELS, 1500).value((1.0, 2.0, 3.0, 4.0)) == pytest.approx(2.75)
