"""How many punish a slip: those who play a reply that is named as a refutation, and those who find another one."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log

TYPICAL = 0.25
"""What a slip loses in the middle, in expected score."""


@dataclass(frozen=True)
class Found:
    """Of those who play none of the named refutations the share 1/(1+exp(-(always + named n + lost log(l/TYPICAL))))
    punishes all the same, where n is the chance of the named ones and l what the slip loses: search names few of the
    replies that punish, and more of them do where much was lost."""

    always: float
    named: float
    lost: float

    def punished(self, named: float, lost: float) -> float:
        """The chance that the slip is punished, from that of the named refutations and its loss in expected score."""
        share = self.always + self.named * named + self.lost * log(max(lost, 0.02) / TYPICAL)
        return min(1.0, named + max(0.0, 1 - named) / (1 + exp(-share)))


FOUND = Found(always=-0.22, named=-0.62, lost=1.02)
"""Fitted by scripts/run check_find."""
