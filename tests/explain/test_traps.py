"""Documented traps of the opening literature: gain and motif against what chess people wrote beside them.

The file's `gain` and `motif` were written by hand, from books and common practice (each trap names its source); they
are the outside expectation here. The line explained is the engine's, which often dodges the main point at a smaller
price: those traps are the listed exceptions, looked at one by one.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from tests.independent.sentences import false_claims
from trapscan.contract import Gain
from trapscan.explain import needs_more

if TYPE_CHECKING:
    from tests.explain.conftest import Trap

OTHER_GAIN = {
    "accel-dragon-na5": ("attack", "the line ends in the middle of exchanges, before the piece is won"),
    "baltic-qxd5": ("attack", "the engine keeps the queen; the pawn it gives is no more than the best move would win"),
    "evans-bc5-ba5": ("attack", "the line in the file is two plies long and shows no capture"),
    "giuoco-bb6": ("pawn", "the line wins a pawn"),
    "halosar": ("piece", "the engine gives material instead of being mated on c7"),
    "lasker-albin": ("piece", "the king does not take on f2, and so the queen is not lost"),
    "morra-dxe5": ("piece", "the engine gives a piece and keeps the queen"),
    "nd4-shilling": ("piece", "the engine does not walk into the smothered mate"),
    "steinitz-ruy-mate": ("rook", "the line loses a rook; the mate is far away"),
}
"""Trap -> (our gain, why)."""

KIN = {
    "fork": {"fork", "double attack", "check that wins a piece", "check that wins a pawn"},
    "check that wins a piece": {"check that wins a piece", "double attack"},
}
"""Names that say the same with more or less detail: a queen's fork is a double attack."""

OTHER_MOTIF = {
    "accel-dragon-na5": "the file says only 'attack'",
    "baltic-qxd5": "the engine keeps the queen, and nothing is discovered in its line",
    "benko-nxe4": "the mate on d6 and the pin of e7 show only if the knight leaves",
    "dragon-ng4": "the engine interposes the knight; what comes is a bishop's fork",
    "evans-bc5-ba5": "the line is two plies long",
    "french-adv-nxd4": "the bishop's check on b5 is not in the engine's line",
    "giuoco-bb6": "the engine prefers e5 to the d5 of the file, and wins by a pin",
    "greco-bxc3": "the line is two plies long",
    "morra-dxe5": "the engine does not let the queen be deflected",
    "rubinstein": "the line wins a pawn by plain taking",
    "siberian": "the engine gives the queen rather than be mated on h2",
    "steinitz-ruy-mate": "the decoy and mate are not in the engine's line",
}
"""Trap -> why the engine's line shows another motif."""


def test_there_are_39_traps(traps: list[Trap]) -> None:
    assert len(traps) == 39


def test_gain_agrees_with_the_literature(traps: list[Trap]) -> None:
    for trap in traps:
        told = trap.explain()
        expected, _ = OTHER_GAIN.get(trap.data["id"], (trap.data["gain"], ""))
        assert told.gain == expected, trap.data["id"]
        assert told.gain in set(Gain)
    assert all(OTHER_GAIN[t.data["id"]][0] != t.data["gain"] for t in traps if t.data["id"] in OTHER_GAIN)


def test_motif_agrees_with_the_literature(traps: list[Trap]) -> None:
    for trap in traps:
        ours = set(trap.explain().motifs)
        wanted = set().union(*(KIN.get(name, {name}) for name in trap.data["motif"]))
        agrees = bool(ours & wanted)
        assert agrees != (trap.data["id"] in OTHER_MOTIF), (trap.data["id"], ours)


def test_every_sentence_about_a_trap_is_true(traps: list[Trap]) -> None:
    for trap in traps:
        told = trap.explain()
        for sentence in (told.why_tempting, told.why_it_fails):
            assert sentence.endswith(".") and re.match(r"[A-Z]|[a-h](x[a-h])?[1-8]", sentence)
            assert false_claims(trap.board, trap.slip, trap.line, sentence, trap.best) == [], trap.data["id"]


def test_shown_line_and_ply_lie_within_the_refutation(traps: list[Trap]) -> None:
    for trap in traps:
        told = trap.explain()
        assert 1 <= told.line <= len(trap.line)
        if told.gain != "mate":
            assert 1 <= told.ply <= told.line


def test_legals_mate_is_told_as_a_poisoned_queen(traps: list[Trap]) -> None:
    told = next(trap for trap in traps if trap.data["id"] == "legal-mate").explain()
    assert told.poisoned and told.gain == "mate" and told.ply == 3
    assert told.why_tempting.startswith("It takes the queen on d1")
    assert told.why_it_fails == "Bxf7+ mates: after Ke7 comes Nd5."


def test_a_complete_mate_needs_no_more(traps: list[Trap]) -> None:
    by_id = {trap.data["id"]: trap for trap in traps}
    legal = by_id["legal-mate"]
    assert not needs_more(legal.board, legal.slip, legal.line)
    assert needs_more(legal.board, legal.slip, legal.line[:1])
    assert needs_more(legal.board, legal.slip, ())
