"""The material of the calibration: a move may not be looked at because it was played."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.chance.samples import CANDIDATES, judged, sample_of
from trapscan.chance.correction import Join


def row(shares: list[float], played: int) -> dict[str, Any]:
    """As `measure_losses` writes it: the candidates, likeliest first, then the move played where it is none."""
    moves = {f"m{i}": [share, 0.1, 0.2] for i, share in enumerate(shares)}
    return {"epd": "", "ply": 8, "own": 1500, "source": "f", "played": f"m{played}", "moves": moves}


@pytest.mark.parametrize("shares", [[0.06] * CANDIDATES + [0.05], [0.5, 0.4, 0.001]])
def test_a_move_played_that_is_no_candidate_is_left_out(shares: list[float]) -> None:
    sample = sample_of(row(shares, len(shares) - 1))
    assert len(sample.moves) == len(shares) - 1
    assert sample.played not in sample.moves
    nats, hit = judged(sample, Join())
    assert nats == pytest.approx(-np.log(shares[-1]))  # the net's own word, and no first choice
    assert not hit


def test_a_candidate_that_was_played_stays() -> None:
    sample = sample_of(row([0.5, 0.3, 0.1], 2))
    assert sample.moves == ("m0", "m1", "m2")
    assert judged(sample, Join())[0] == pytest.approx(-np.log(0.1))
