"""How many punish a slip, from the chance of the refutations that are named."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trapscan.chance import FOUND


@given(st.floats(0, 1), st.booleans())
def test_those_who_find_a_named_one_are_among_those_who_punish(named: float, plain: bool) -> None:
    assert named <= FOUND.punished(named, plain=plain) <= 1


@pytest.mark.parametrize("plain", [True, False])
def test_more_named_more_punish(plain: bool) -> None:
    found = [FOUND.punished(named / 20, plain=plain) for named in range(21)]
    assert found[-1] == 1 and all(low < high for low, high in pairwise(found))


def test_what_shows_at_a_glance_is_punished_more() -> None:
    assert FOUND.punished(0.3, plain=True) > FOUND.punished(0.3, plain=False) + 0.1
