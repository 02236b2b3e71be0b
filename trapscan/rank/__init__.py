"""What a slip costs at each level, and what kind of finding it is."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Sequence

import chess

from trapscan.contract import Side, SlipKind
from trapscan.rank.forgetting import forgets
from trapscan.rank.ideas import Idea, group
from trapscan.rank.nature import nature_of
from trapscan.rank.worth import Case, worth
from trapscan.score import Score

Expected = Callable[[Score, int], float]
"""Expected score (0 to 1) of the score's own side between two players of a level."""

SIDES = {side.value: side.color for side in Side}


def side_name(side: chess.Color) -> Side:
    """The side of python-chess's colour."""
    return Side.of(side)


def kind_of(*, victim: chess.Color, side: str, held: bool) -> SlipKind:
    """The kind of a slip. `side` is whose repertoire it is ("white", "black", "both"); `held`: the tree holds it as a
    move to be played, not as a mistake that it warns of. Our own move that is a slip is unsound then; so is anybody's
    in a tree for both sides.
    """
    if side == "both":
        return SlipKind.UNSOUND if held else SlipKind.TRICK
    if SIDES[side] == victim:
        return SlipKind.UNSOUND if held else SlipKind.PITFALL
    return SlipKind.TRICK


def costs(best: Score, slip: Score, levels: Iterable[int], expected: Expected) -> tuple[float, ...]:
    """Per level: expected score of the victim's best move minus that of the slip, never below zero."""
    return tuple(max(0.0, expected(best, level) - expected(slip, level)) for level in levels)


def tolls(reach: Sequence[float], chance: Sequence[float], cost: Sequence[float]) -> tuple[float, ...]:
    """Per level: points per 100 games, 100 x reach x chance x cost."""
    return tuple(100 * r * p * c for r, p, c in zip(reach, chance, cost, strict=True))


SELDOM_FOUND = 0.5
HIGH_TOLL = 0.05


def must_know(find: Sequence[float], toll: Sequence[float]) -> tuple[bool, ...]:
    """Per level: whether the refutation must be known, since few find it unprepared and much hangs on it."""
    return tuple(f < SELDOM_FOUND and t >= HIGH_TOLL for f, t in zip(find, toll, strict=True))


def finding_id(kind: str, epd: str, move: str) -> str:
    """Stable across runs and move orders: ten hexadecimal digits of kind, position and move."""
    return hashlib.sha256(f"{kind}|{epd}|{move}".encode()).hexdigest()[:10]


__all__ = [
    "HIGH_TOLL",
    "SELDOM_FOUND",
    "SIDES",
    "Case",
    "Expected",
    "Idea",
    "costs",
    "finding_id",
    "forgets",
    "group",
    "kind_of",
    "must_know",
    "nature_of",
    "side_name",
    "tolls",
    "worth",
]
