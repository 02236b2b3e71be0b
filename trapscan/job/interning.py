"""Outcomes as a scan holds them: the same values in a fifth of the memory.

A scan of a whole opening book holds tens of thousands of outcomes until the last one is in. As they come out of the
store they take some 30 KB each, most of it chances: eight floats for each of thirty moves, every one an object.
"""

from __future__ import annotations

import sys
from array import array
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TypeAlias, TypeVar

import numpy as np

from trapscan.job.positions import ExplainedSlip, Outcome
from trapscan.model import Chances, Line, Slip
from trapscan.score import Score

MILLION = 1_000_000
Value = TypeVar("Value")


class PackedChances(Mapping[str, tuple[float, ...]]):
    """Chances by move as whole millionths, which is what they are: the model gives six digits."""

    __slots__ = ("_moves", "_width", "_words")

    def __init__(self, chances: Chances) -> None:
        self._moves = " ".join(chances)
        self._width = len(next(iter(chances.values()), ()))
        self._words = array("I", (round(share * MILLION) for by_level in chances.values() for share in by_level))

    def __getitem__(self, move: str) -> tuple[float, ...]:
        try:
            at = self._moves.split(" ").index(move) * self._width
        except ValueError:
            raise KeyError(move) from None
        return tuple(word / MILLION for word in self._words[at : at + self._width])

    def __iter__(self) -> Iterator[str]:
        return iter(self._moves.split())

    def __len__(self) -> int:
        return len(self._moves.split())


def packed_chances(chances: Chances) -> Chances:
    """Chances packed as whole millionths; as they are where they are none (another model's)."""
    small = PackedChances(chances)
    return small if all(small[move] == tuple(chances[move]) for move in chances) else chances


@dataclass(slots=True)
class Compactor:
    """Makes outcomes small. What occurs in many of them (moves, scores) is kept once; the digests of the queries asked
    are taken out of the outcome."""

    _scores: dict[Score, Score] = field(default_factory=dict)
    _numbers: dict[int, int] = field(default_factory=dict)
    _motifs: dict[tuple[str, ...], tuple[str, ...]] = field(default_factory=dict)

    def __call__(self, outcome: Outcome) -> Outcome:
        """An equal outcome, but for `asked`, which is empty."""
        examined = outcome.examined
        # explanations are as many as the slips, and hold the same slip once more
        slips = tuple(replace(slip, refutation=_moves(slip.refutation)) for slip in examined.slips)
        same = {slip.move: slip for slip in slips}
        return Outcome(
            replace(
                examined,
                best=Line(self._score(examined.best.score), _moves(examined.best.pv)),
                slips=slips,
                others=tuple(
                    (sys.intern(move), self._score(score), self._numbers.setdefault(nodes, nodes))
                    for move, score, nodes in examined.others
                ),
                chances=packed_chances(examined.chances),
            ),
            tuple(self._told(told, same) for told in outcome.told),
            (),
        )

    def _told(self, told: ExplainedSlip, slips: Mapping[str, Slip]) -> ExplainedSlip:
        """With the slip that is there already, and the words that many explanations have in common kept once."""
        words = told.explanation
        words = replace(words, gain=sys.intern(words.gain), motifs=self._motifs.setdefault(words.motifs, words.motifs))
        slip = slips.get(told.slip.move)
        return replace(told, slip=slip if slip == told.slip else told.slip, explanation=words)

    def _score(self, score: Score) -> Score:
        return self._scores.setdefault(score, score)


Asked: TypeAlias = "array[int]"
"""Digests of queries."""


def packed_digests(asked: Iterable[int]) -> Asked:
    """The digests in eight bytes each."""
    return array("q", asked)


def asked_again(asked: Iterable[Asked]) -> int:
    """How many of all these queries had been asked before."""
    every = [np.frombuffer(digests, dtype=np.int64) for digests in asked if digests]
    return sum(map(len, every)) - len(np.unique(np.concatenate(every))) if every else 0


def _moves(moves: Iterable[str]) -> tuple[str, ...]:
    return tuple(sys.intern(move) for move in moves)


__all__ = ["Asked", "Compactor", "PackedChances", "asked_again", "packed_chances", "packed_digests"]
