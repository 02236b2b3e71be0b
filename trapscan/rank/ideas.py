"""Which findings share one punishing idea, and so one card."""

from __future__ import annotations

import hashlib
from collections.abc import Hashable, Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Idea:
    """What makes the idea of a finding: who is punished, the slip and the first reply (UCI), what is won, what kind of
    mistake it is, and the motif that leads, or ""."""

    victim: str
    slip: str
    reply: str
    gain: str
    nature: str
    motif: str = ""

    def traits(self) -> list[Hashable]:
        """Findings with a key in common share the idea: the same slip met by the same reply; or, whatever the slip was,
        the same reply with the same motif for the same gain."""
        keys: list[Hashable] = [(self.victim, self.slip, self.reply, self.nature)]
        if self.motif and self.reply:
            keys.append((self.victim, self.reply, self.motif, self.gain, self.nature))
        return keys


def group(ideas: Iterable[Idea]) -> list[str]:
    """For each finding the id of its idea: ten hexadecimal digits, equal for those that share one and stable across
    runs as long as the least of their keys stays."""
    parent: list[int] = []

    def root(at: int) -> int:
        while parent[at] != at:
            parent[at] = parent[parent[at]]
            at = parent[at]
        return at

    first: dict[Hashable, int] = {}
    for at, idea in enumerate(ideas):
        parent.append(at)
        for key in idea.traits():
            parent[root(at)] = root(first.setdefault(key, at))
    least: dict[int, str] = {}
    for key, at in first.items():
        least[root(at)] = min(repr(key), least.get(root(at), repr(key)))
    names = {at: hashlib.sha256(name.encode()).hexdigest()[:10] for at, name in least.items()}
    return [names[root(at)] for at in range(len(parent))]
