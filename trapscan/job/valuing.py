"""What kind of mistake a slip is, and what it is worth. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import chess

from trapscan import explain, openings, rank
from trapscan.contract import Gain, Nature
from trapscan.explain import Explanation
from trapscan.score import Score


def nature_and_worth(
    explanation: Explanation,
    best: Score,
    slip: Score,
    after: chess.Board,
    chance: Sequence[float],
    find: Sequence[float] = (),
) -> tuple[Nature, list[float]]:
    """The nature of a slip, and its worth per level; `best` and `slip` are the victim's scores, `after` the board after
    it; `chance` and `find` are as in a finding, the latter empty where it is not known."""
    won = explanation.gain != Gain.ATTACK
    nature = rank.nature_of(
        explanation.signs,
        best=best,
        slip=slip,
        tactical=explain.tactical(explanation.motifs),
        named=openings.name_of(after.epd()) is not None,
        won=won,
        forgone=explanation.forgone,
    )
    motif = explain.any_tactical(explanation.motifs)
    return nature, [
        rank.worth(rank.Case(nature, explanation.signs, best, slip, share, found, motif, won))
        for share, found in zip(chance, find or [0.0] * len(chance), strict=True)
    ]


__all__ = ["nature_and_worth"]
