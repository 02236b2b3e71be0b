"""What a scan holds of every position in little memory: chances, and digests of what was asked."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Mapping
from typing import TypeAlias

import numpy as np

from trapscan.model import Chances

MILLION = 1_000_000


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


Asked: TypeAlias = "array[int]"
"""Digests of queries."""


def packed_digests(asked: Iterable[int]) -> Asked:
    """The digests in eight bytes each."""
    return array("q", asked)


def asked_again(asked: Iterable[Asked]) -> int:
    """How many of all these queries had been asked before."""
    every = array("q")
    for digests in asked:
        every += digests
    found = np.frombuffer(every, dtype=np.int64) if every else np.zeros(0)
    found.sort()
    return int(np.count_nonzero(found[1:] == found[:-1]))


__all__ = ["Asked", "PackedChances", "asked_again", "packed_chances", "packed_digests"]
