"""How many punish a slip: those who play a reply that is named as a refutation, and those who find another one."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Found:
    """Of those who play none of the named refutations these shares punish all the same: where the slip shows at a
    glance (a search names few of the replies that punish it), and where it does not."""

    plain: float
    hidden: float

    def punished(self, named: float, *, plain: bool) -> float:
        """The chance that a slip is punished, from that of its named refutations."""
        named = min(1.0, max(0.0, named))
        return named + (1 - named) * (self.plain if plain else self.hidden)


FOUND = Found(plain=0.27, hidden=0.02)
"""Fitted by scripts/run check_find on 567 slips of games kept aside: 0.21 to 0.33, and 0.01 to 0.16."""
