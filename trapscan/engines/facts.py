"""What an engine really does. It is measured by `measure` and kept by `probing`."""

from __future__ import annotations

import msgspec

from trapscan.engines.limits import AnyLimit, NodeLimit
from trapscan.engines.uci import Option

PROBE_VERSION = 6

AVERAGED = 4
"""A noisy engine's score is the mean (in expected score) of its last iterations, so many: two of odd depth and two of
even, which favour the one side and the other."""
MOST_NOISE = 3.0
NOISE_STRETCH = 2.0
"""The budgets of a noisy engine grow by its noise, to so many times at most: more did not help (measured)."""
SCREEN_BUDGET = 2_000
"""The least that is asked of an engine that takes every budget in full."""


class Probe(msgspec.Struct, frozen=True, kw_only=True):
    """Measured facts about an engine.

    driven_by       the limit it honours, and how budgets become it
    limits          kind -> what became of it, in words
    noise           how many times as noisy its scores are as those that the presets were measured with (1 to
                    MOST_NOISE, in halves); margins grow by it, and budgets up to NOISE_STRETCH times
    nps             nodes per second, one thread, as measured; how long is waited hangs on it, no answer does
    multipv         several exact lines, all of them, in one search
    searchmoves     root moves can be restricted
    reproducible    equal searches give equal answers after the clearing that we do; that is `ucinewgame`, and the
                    Clear Hash button with clear_hash, a first short search of the same position with prime, and with
                    renew a process of its own for each search
    stops           a search can be ended early by `stop`
    scores          "exact", or "bracketed" (only bounds, but both, close together)
    mate_floor      > 0: mates come as centipawns beyond this
    refused         why it cannot be used, or ""
    """

    version: int = PROBE_VERSION
    name: str
    author: str = ""
    driven_by: AnyLimit = NodeLimit()
    limits: dict[str, str] = {}
    noise: float = 1.0
    nps: int = 0
    multipv: bool = False
    searchmoves: bool = False
    reproducible: bool = False
    clear_hash: bool = False
    prime: bool = False
    renew: bool = False
    stops: bool = False
    scores: str = ""
    mate_floor: int = 0
    options: tuple[Option, ...] = ()
    notes: tuple[str, ...] = ()
    refused: str = ""

    @property
    def limit_kind(self) -> str:
        """ "nodes", "depth" or "movetime"."""
        return str(self.driven_by.__struct_config__.tag)

    @property
    def multiline(self) -> bool:
        """Whether several lines and restricted moves may be asked for: an engine must do both."""
        return self.multipv and self.searchmoves

    @property
    def watchable(self) -> bool:
        """Whether a search can be watched and ended as soon as it has told enough: only where its nodes are those
        of the budget, so that what was measured about them holds. All others are driven plainly."""
        limit = self.driven_by
        if not isinstance(limit, NodeLimit) or not limit.exact or limit.pace:
            return False
        return limit.least <= self.stretched(SCREEN_BUDGET) and self.stops and self.reproducible

    @property
    def steady(self) -> bool:
        """Whether its scores are no noisier than those that budgets and margins were measured with."""
        return self.noise <= 1

    @property
    def averaged(self) -> bool:
        """Whether its score is the mean of the last iterations: where they swing, and nobody watches them."""
        return not self.steady and not self.watchable

    def stretched(self, budget: int) -> int:
        """The budget that this engine needs to be about as sure as the one that budgets were measured with."""
        return round(budget * min(self.noise, NOISE_STRETCH))

    def limit(self, budget: int) -> tuple[str, float]:
        """What follows `go` for `budget` nodes, and the seconds after which it has failed to come back."""
        expected = self.driven_by.seconds(budget, max(100, self.nps))
        return self.driven_by.go(budget), self.driven_by.patience * expected
