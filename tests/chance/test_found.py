"""How many punish a slip, from the chance of the refutations that are named."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from trapscan.chance import FOUND

shares = st.floats(0, 1)
losses = st.floats(0.1, 1)


@given(shares, losses)
def test_those_who_find_a_named_one_are_among_those_who_punish(named: float, lost: float) -> None:
    assert named <= FOUND.punished(named, lost) <= 1


@pytest.mark.parametrize("lost", [0.1, 0.25, 0.5, 1.0])
def test_more_named_more_punish(lost: float) -> None:
    found = [FOUND.punished(named / 20, lost) for named in range(21)]
    assert found[-1] == 1 and all(low < high for low, high in pairwise(found))


def test_where_more_is_lost_more_replies_punish() -> None:
    found = [FOUND.punished(0.3, lost) for lost in (0.1, 0.2, 0.4, 0.8)]
    assert found == sorted(found) and found[-1] > found[0] + 0.1
