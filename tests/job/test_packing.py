"""Packed chances and digests are what they were."""

from __future__ import annotations

import chess
import pytest

from trapscan.chance import load_model
from trapscan.job.packing import PackedChances, asked_again, packed_chances, packed_digests
from trapscan.model import Chances

LEVELS = (1000, 1400, 1800, 2200)


@pytest.fixture(scope="module")
def chances() -> Chances:
    """The model's chances at the start position, joined with what some moves lose: all that arithmetic does to them."""
    model = load_model()
    before = model.predict([chess.Board()], LEVELS)[0]
    return model.join(before, {"f2f3": (0.05, 0.12), "e2e4": (0.0, 0.0), "g2g4": (0.2, 0.31)}, LEVELS)


def test_chances_come_out_as_they_went_in(chances: Chances) -> None:
    packed = packed_chances(chances)
    assert isinstance(packed, PackedChances)
    assert dict(packed) == dict(chances) and list(packed) == list(chances) and len(packed) == 20
    assert packed.get("e2e5") is None and "e2e4" in packed
    with pytest.raises(KeyError):
        packed["e2"]


def test_chances_finer_than_a_millionth_stay_as_they_are() -> None:
    fine = {"e2e4": (1 / 3,), "d2d4": (2 / 3,)}
    assert packed_chances(fine) is fine
    assert dict(packed_chances({})) == {}, "mate and stalemate"


def test_queries_asked_again_are_counted() -> None:
    asked = packed_digests((1, 2, 3, 2))
    assert asked_again([asked]) == 1 and asked_again([]) == 0
    assert asked_again([asked, packed_digests([]), asked]) == 5, "all four once more"
