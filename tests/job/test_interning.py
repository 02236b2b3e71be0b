"""Compact outcomes hold the same values in less memory."""

from __future__ import annotations

import gc
import tracemalloc

import chess
import msgspec
import pytest

from trapscan.chance import load_model
from trapscan.explain import Explanation
from trapscan.job.interning import Compactor, PackedChances, asked_again, packed_chances, packed_digests
from trapscan.job.positions import ExplainedSlip, Outcome
from trapscan.model import Chances, Examined, Line, Slip
from trapscan.score import Score

LEVELS = (1000, 1400, 1800, 2200)


@pytest.fixture(scope="module")
def chances() -> Chances:
    """The model's chances at the start position, joined with what some moves lose: all that arithmetic does to them."""
    model = load_model()
    before = model.predict([chess.Board()], LEVELS)[0]
    return model.join(before, {"f2f3": (0.05, 0.12), "e2e4": (0.0, 0.0), "g2g4": (0.2, 0.31)}, LEVELS)


def outcome(chances: Chances) -> Outcome:
    white = chess.WHITE
    slip = Slip("g2g4", Score(white, cp=-120), ("d7d5", "h2h3"), ("e7e5",), 2000, 20000)
    told = ExplainedSlip(
        slip, Explanation("pawn", 1.0, 3, 2, ("fork",), "why.", "because.", False), (), (0.5,) * len(LEVELS)
    )
    others = tuple((move, Score(white, cp=number), 2000) for number, move in enumerate(chances) if move != "g2g4")
    best = Line(Score(white, cp=30), ("e2e4", "e7e5"))
    examined = Examined("epd", best, (slip,), others, chances, len(chances), 30, 60_000)
    return Outcome(examined, (told,), (1, 2, 3, 2))


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


def test_an_outcome_keeps_all_but_the_list_of_queries(chances: Chances) -> None:
    """As it comes out of the store, where every value is an object of its own."""
    small, whole = Compactor(), outcome(chances)
    kept = small(msgspec.msgpack.decode(msgspec.msgpack.encode(whole), type=Outcome))
    assert dict(kept.examined.chances) == dict(whole.examined.chances)
    assert (kept.told, kept.asked) == (whole.told, ())
    for name in ("epd", "best", "slips", "others", "candidates", "searches", "nodes", "problems"):
        assert getattr(kept.examined, name) == getattr(whole.examined, name), name
    asked = packed_digests(whole.asked)
    assert asked_again([asked]) == 1 and asked_again([]) == 0
    assert asked_again([asked, packed_digests([]), asked]) == 5, "all four once more"


def test_less_memory(chances: Chances) -> None:
    blob, small = msgspec.msgpack.encode(outcome(chances)), Compactor()

    def size(number: int, compact: bool) -> int:
        before = tracemalloc.get_traced_memory()[0]
        held = []
        for _ in range(number):
            whole = msgspec.msgpack.decode(blob, type=Outcome)
            held.append(small(whole) if compact else whole)
        gc.collect()
        return tracemalloc.get_traced_memory()[0] - before

    tracemalloc.start()
    try:
        assert 2 * size(200, compact=True) < size(200, compact=False)
    finally:
        tracemalloc.stop()
