"""How a search is bounded: by nodes, by depth, or by time; what of a budget of nodes becomes of it in each case.

Budgets are in nodes of the engine they were measured with (Stockfish 15.1). Which limit an engine honours is measured.
"""

from __future__ import annotations

import math
from typing import ClassVar

import msgspec

SLOW_NPS = 50_000
"""Engines below this speed get smaller budgets. Speeds are powers of two (32,768, 65,536), so one must be measured at
less than 46,341 nodes a second of processor time to be slow; the slowest compiled engine tried has 265,000, one in
Python 25,000. The gap is that wide because processor time is no firm measure where processors are shared: under a load
of eight an engine was seen at less than half its speed."""
LONG_BUDGET, LONG_SECONDS = 200_000, 1.5
SHORT_SECONDS = 0.1
"""Slow engines: budgets that take no longer than SHORT_SECONDS are given in full; LONG_BUDGET takes LONG_SECONDS."""

DEPTH_FACTOR = 4.0
"""A search to a fixed depth may cost this many times the budget: the engines without a node limit report more nodes
for the same strength than the one the budgets were measured with."""
LEAST_DEPTH = 5
"""No search to a fixed depth is shallower, so that a refutation of two moves lies within it."""


def pace_of(nps: int) -> int:
    """A speed as budgets are scaled by: the nearest power of two, so that a measurement made twice gives the same."""
    return int(2 ** round(math.log2(max(64, nps))))


class Limit(msgspec.Struct, frozen=True, kw_only=True):
    """What all kinds have: `pace`, the engine's nodes a second that budgets are scaled by (0: it is not slow, budgets
    are given in full). `patience` says how many times its expected seconds a search may take."""

    patience: ClassVar[float] = 20.0
    pace: int = 0

    def scaled(self, budget: int) -> int:
        """The nodes that an engine of this pace spends on `budget`: all of what takes SHORT_SECONDS, and above that a
        power of it, so that LONG_BUDGET takes LONG_SECONDS."""
        if not 0 < self.pace < SLOW_NPS or budget <= self.pace * SHORT_SECONDS:
            return budget
        knee = self.pace * SHORT_SECONDS
        power = math.log(LONG_SECONDS / SHORT_SECONDS) / math.log(LONG_BUDGET / knee)
        return int(knee * (budget / knee) ** power)


class NodeLimit(Limit, frozen=True, kw_only=True, tag_field="kind", tag="nodes"):
    """`go nodes`. `spent`: least and most nodes spent for each allowed. `least`: the cheapest search that does not
    mislead (0: whatever is asked)."""

    spent: tuple[float, float] = (1.0, 1.0)
    least: int = 0

    @property
    def exact(self) -> bool:
        """Whether what it spends is what it was allowed."""
        return self.spent[0] >= 0.8 and self.spent[1] <= 1.2

    def nodes(self, budget: int) -> int:
        """What `budget` costs, in the engine's own nodes."""
        return max(self.scaled(budget), self.least)

    def go(self, budget: int) -> str:
        """What follows `go`."""
        return f"nodes {self.nodes(budget)}"

    def seconds(self, budget: int, nps: int) -> float:
        """What the search should take, at so many nodes a second."""
        return self.spent[1] * self.nodes(budget) / nps


class DepthLimit(Limit, frozen=True, kw_only=True, tag_field="kind", tag="depth"):
    """`go depth`. `table`: nodes spent to finish depth 1, 2, ..., geometric mean over a few opening positions. `least`:
    the shallowest search that does not mislead."""

    patience: ClassVar[float] = 100.0  # the cost of a depth varies more
    table: tuple[int, ...] = ()
    least: int = LEAST_DEPTH

    def _cost(self, depth: int) -> float:
        """Nodes to finish a depth: by the table, past its end by its growth from depth to depth."""
        table = self.table
        growth = max(1.3, (table[-1] / table[0]) ** (1 / max(1, len(table) - 1)))
        return table[depth - 1] if depth <= len(table) else table[-1] * growth ** (depth - len(table))

    def depth(self, budget: int) -> int:
        """The depth that stands for `budget` nodes: whose cost is nearest in proportion to DEPTH_FACTOR times it."""
        if not self.table:
            return self.least
        aim = math.log(DEPTH_FACTOR * self.scaled(budget))
        best = min(range(1, 61), key=lambda depth: abs(math.log(max(1.0, self._cost(depth))) - aim))
        return max(self.least, best)

    def nodes(self, budget: int) -> int:
        """What `budget` costs, in the engine's own nodes."""
        return round(self._cost(self.depth(budget))) if self.table else self.scaled(budget)

    def go(self, budget: int) -> str:
        """What follows `go`."""
        return f"depth {self.depth(budget)}"

    def seconds(self, budget: int, nps: int) -> float:
        """What the search should take, at so many nodes a second."""
        return DEPTH_FACTOR * self.scaled(budget) / nps


class TimeLimit(Limit, frozen=True, kw_only=True, tag_field="kind", tag="movetime"):
    """`go movetime`: of the pace that was measured, so that it is roughly the budget's nodes."""

    def nodes(self, budget: int) -> int:
        """What `budget` costs, in the engine's own nodes, about."""
        return self.scaled(budget)

    def go(self, budget: int) -> str:
        """What follows `go`."""
        return f"movetime {max(20, round(1000 * self.scaled(budget) / max(100, self.pace)))}"

    def seconds(self, budget: int, nps: int) -> float:
        """What the search should take."""
        return int(self.go(budget).split()[1]) / 1000


AnyLimit = NodeLimit | DepthLimit | TimeLimit
