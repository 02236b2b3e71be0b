"""What an engine really does, and the limits that follow from it. It is measured by `measure` and kept by `probing`."""

from __future__ import annotations

import math

import msgspec

from trapscan.engines.uci import Option

PROBE_VERSION = 5

SLOW_NPS = 50_000
"""Engines below this speed get smaller budgets. Speeds are powers of two (32,768, 65,536), so one must be measured at
less than 46,341 nodes a second of processor time to be slow; the slowest compiled engine tried has 265,000, one in
Python 25,000. The gap is that wide because processor time is no firm measure where processors are shared: under a load
of eight an engine was seen at less than half its speed."""
LONG_BUDGET = 200_000
LONG_SECONDS = 1.5
SHORT_SECONDS = 0.1
"""Slow engines: budgets that take no longer than this are given in full."""

DEPTH_FACTOR = 4.0
"""A search to a fixed depth may cost this many times the budget: the engines without a node limit report more nodes
for the same strength than the one the budgets were measured with (Stockfish 15.1)."""
AVERAGED = 4
"""A noisy engine's score is the mean (in expected score) of its last iterations, so many: two of odd depth and two of
even, which favour the one side and the other."""
LEAST_DEPTH = 5
"""No search to a fixed depth is shallower, so that a refutation of two moves lies within it."""
NOISE_BUDGET, NOISE_EXPECTED = 20_000, 0.026
"""The yardstick for an engine's noise: that of Stockfish 15.1 at this budget, measured after opening moves."""
MOST_NOISE = 3.0
NOISE_STRETCH = 2.0
"""The budgets of a noisy engine grow by its noise, to so many times at most: more did not help (measured)."""
SCREEN_BUDGET = 2_000
DEEP_BUDGET = 100_000
SCREEN_ERROR = 0.11
"""How far, in expected score (root mean square over sharp positions), the cheapest searches may be from deep ones.
Stockfish 15.1 has 0.105 at SCREEN_BUDGET; Ethereal needs depth 11 for as much, sunfish 4,000 nodes (measured)."""


class Probe(msgspec.Struct, frozen=True, kw_only=True):
    """Measured facts about an engine.

    limit_kind      the limit it is driven with: "nodes", "depth" or "movetime"
    limits          kind -> what became of it, in words
    node_ratio      nodes spent for each node allowed, over small and large budgets (only with limit_kind "nodes")
    depth_nodes     nodes spent to finish depth 1, 2, ...: geometric mean over a few opening positions
    least_depth     the shallowest searches that do not mislead (with limit_kind "depth"); see SCREEN_ERROR
    least_nodes     the same in nodes, 0 when SCREEN_BUDGET is enough (with limit_kind "nodes")
    noise           how many times as noisy its scores are as NOISE_EXPECTED (1 to MOST_NOISE, in halves): root
                    mean square over SHARP of NOISE_BUDGET against DEEP_BUDGET; margins grow by it, and budgets up
                    to NOISE_STRETCH times
    nps             nodes per second, one thread, as measured
    budget_nps      the speed that budgets are scaled by: nps rounded to a power of two, or a constant of the engine
    multipv         several exact lines, all of them, in one search
    searchmoves     root moves can be restricted
    wdl             win/draw/loss shares can be shown
    reproducible    equal searches give equal scores and lines after the clearing that we do; that is `ucinewgame`, and
                    the Clear Hash button with clear_hash, a first short search of the same position with prime, and
                    with renew a process of its own for each search
    steady_nodes    node counts repeat as well; where they don't, the expected count stands in for them
    stops           a search can be ended early by `stop`
    scores          "exact", or "bracketed" (only bounds, but both, close together)
    mate_floor      > 0: mates come as centipawns beyond this
    answers         what it says on a mate in one, when mated, when stalemated, with a single legal move
    refused         why it cannot be used, or ""
    """

    version: int = PROBE_VERSION
    name: str
    author: str = ""
    limit_kind: str = ""
    limits: dict[str, str] = {}
    node_ratio: tuple[float, float] = (1.0, 1.0)
    depth_nodes: tuple[int, ...] = ()
    least_depth: int = LEAST_DEPTH
    least_nodes: int = 0
    noise: float = 1.0
    nps: int = 0
    budget_nps: int = 0
    multipv: bool = False
    searchmoves: bool = False
    wdl: bool = False
    reproducible: bool = False
    clear_hash: bool = False
    prime: bool = False
    renew: bool = False
    steady_nodes: bool = True
    stops: bool = False
    scores: str = ""
    mate_floor: int = 0
    answers: dict[str, str] = {}
    options: tuple[Option, ...] = ()
    notes: tuple[str, ...] = ()
    refused: str = ""

    @property
    def multiline(self) -> bool:
        """Whether several lines and restricted moves may be asked for: an engine must do both."""
        return self.multipv and self.searchmoves

    @property
    def watchable(self) -> bool:
        """Whether a search can be watched and ended as soon as it has told enough: only where its nodes are those
        of the budget, so that what was measured about them holds."""
        exact = self.node_ratio[0] >= 0.8 and self.node_ratio[1] <= 1.2
        full = self.budget_nps >= SLOW_NPS and self.least_nodes <= self.stretched(SCREEN_BUDGET)
        return self.limit_kind == "nodes" and self.stops and self.steady_nodes and exact and full

    @property
    def steady(self) -> bool:
        """Whether its scores are no noisier than those that budgets and margins were measured with."""
        return self.noise <= 1

    @property
    def averaged(self) -> bool:
        """Whether its score is the mean of the last iterations: where they swing, and nobody watches them."""
        return not self.steady and not self.watchable

    def scaled(self, budget: int) -> int:
        """The nodes an engine of this speed spends on `budget`.

        Engines of SLOW_NPS and more: all of it. Slower ones: all of what takes SHORT_SECONDS, and above that a power
        of it, so that LONG_BUDGET takes LONG_SECONDS. Never less than `least_nodes`. Depends on `budget_nps` and
        `least_nodes` only, which are kept with the probe.
        """
        if not self.budget_nps or self.budget_nps >= SLOW_NPS:
            return max(budget, self.least_nodes)
        knee = self.budget_nps * SHORT_SECONDS
        if budget <= knee:
            return max(budget, self.least_nodes)
        power = math.log(LONG_SECONDS / SHORT_SECONDS) / math.log(LONG_BUDGET / knee)
        return max(int(knee * (budget / knee) ** power), self.least_nodes)

    def budget_scale(self, budget: int) -> float:
        """Share of `budget` that is spent: `scaled(budget) / budget`."""
        return self.scaled(budget) / budget

    def stretched(self, budget: int) -> int:
        """The budget that this engine needs to be about as sure as the one that budgets were measured with."""
        return round(budget * min(self.noise, NOISE_STRETCH))

    def _depth_cost(self, depth: int) -> float:
        """Nodes to finish a depth: by the table, past its end by its growth from depth to depth."""
        table = self.depth_nodes
        growth = max(1.3, (table[-1] / table[0]) ** (1 / max(1, len(table) - 1)))
        return table[depth - 1] if depth <= len(table) else table[-1] * growth ** (depth - len(table))

    def depth(self, budget: int) -> int:
        """The depth that stands for `budget` nodes: whose cost, by `depth_nodes`, is nearest in proportion."""
        if not self.depth_nodes:
            return self.least_depth
        aim = math.log(DEPTH_FACTOR * self.scaled(budget))
        best = min(range(1, 61), key=lambda depth: abs(math.log(max(1.0, self._depth_cost(depth))) - aim))
        return max(self.least_depth, best)

    def expected_nodes(self, budget: int) -> int:
        """What a query of `budget` should cost in the engine's own nodes; the same whatever it says itself."""
        if self.limit_kind == "depth" and self.depth_nodes:
            return round(self._depth_cost(self.depth(budget)))
        return self.scaled(budget)

    def limit(self, budget: int) -> tuple[str, float]:
        """What follows `go` for `budget` nodes, and the seconds this should take."""
        nodes = self.scaled(budget)
        nps = max(100, self.nps or self.budget_nps)
        if self.limit_kind == "depth":
            return f"depth {self.depth(budget)}", DEPTH_FACTOR * nodes / nps
        if self.limit_kind == "movetime":
            milliseconds = max(20, round(1000 * nodes / max(100, self.budget_nps)))
            return f"movetime {milliseconds}", milliseconds / 1000
        return f"nodes {nodes}", self.node_ratio[1] * nodes / nps
