"""How long a scan will still take, said honestly: from what was searched so far, what lies before it, and what will
probably be found past the ends of the lines. Pure arithmetic; whoever asks brings the clock."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

RECENT, LEAST = 2, 8
"""What the rest costs is reckoned from the second half of what is done, and so many at least: what matters most comes
first, and costs most."""


@dataclass(slots=True)
class Kind:
    """Positions of one kind (inside the tree, or at an end of it): how many wait, and the cost of those done, in
    seconds of a worker's time."""

    waiting: int = 0
    costs: list[float] = field(default_factory=list)

    @property
    def mean(self) -> float | None:
        """What one costs; None where none is done."""
        recent = self.costs[-max(LEAST, len(self.costs) // RECENT) :]
        return sum(recent) / len(recent) if recent else None


@dataclass(slots=True)
class Growth:
    """Ends with one side to move: to how many new positions they led. One end's worth of `prior` before any is seen."""

    prior: float = 1.0
    ends: int = 0
    children: int = 0

    @property
    def mean(self) -> float:
        """New positions an end leads on to."""
        return (self.prior + self.children) / (1 + self.ends)


@dataclass(frozen=True, slots=True)
class Met:
    """A position as far as the time left asks: whether it is an end, whether White is to move, and how many plies the
    scan goes on past it."""

    end: bool
    white: bool
    plies: int = 0


@dataclass(slots=True)
class TimeLeft:
    """Positions past the ends of lines are not known before the ends are examined: their number is reckoned from the
    ends done so far, by the side to move, their cost is that of an end."""

    afterwards: float = 0.0
    """Work that follows the examining (the search for baits), in positions of the usual cost."""
    growth: Mapping[bool, Growth] = field(default_factory=lambda: {True: Growth(), False: Growth()})
    """By the side to move (True: White)."""
    kinds: Mapping[bool, Kind] = field(default_factory=lambda: {False: Kind(), True: Kind()})
    """By whether the position is an end."""
    ends: Counter[Met] = field(default_factory=Counter)
    """Ends that wait."""
    _known: int = 0
    _looked_up: int = 0
    _cost: float = 0.0
    _first: tuple[float, float] | None = None

    def found(self, position: Met, *, known: bool) -> None:
        """A position is come to; `known`: the store knows it, else it waits for a search."""
        self._looked_up += 1
        self._known += known
        if not known:
            self.kinds[position.end].waiting += 1
            self.ends[position] += position.end

    def searched(self, position: Met, seconds: float) -> None:
        """It was searched and took so many seconds of a worker's time."""
        self.kinds[position.end].waiting -= 1
        self.kinds[position.end].costs.append(seconds)
        self.ends[position] -= position.end
        self._cost += seconds

    def grown(self, position: Met, children: int) -> None:
        """An end, from the store or searched, leads on to so many new positions."""
        self.growth[position.white].ends += 1
        self.growth[position.white].children += children

    @property
    def to_come(self) -> float:
        """How many positions will probably come up yet past the ends that wait."""
        total = 0.0
        for position, count in self.ends.items():
            number, white = float(count), position.white
            for _ in range(position.plies):
                number, white = number * self.growth[white].mean, not white
                total += number
        return total

    @property
    def ahead(self) -> float:
        """Seconds of workers' time that the rest will probably take; 0 while nothing is done."""
        means = {kind: each.mean for kind, each in self.kinds.items()}
        done = [mean for mean in means.values() if mean is not None]
        if not done:
            return 0.0
        usual = sum(done) / len(done)
        cost = {kind: usual if mean is None else mean for kind, mean in means.items()}
        unknown = 1 - self._known / self._looked_up if self._looked_up else 1.0
        waiting = sum(each.waiting * cost[kind] for kind, each in self.kinds.items())
        return waiting + self.to_come * unknown * cost[True] + self.afterwards * unknown * usual

    def seconds(self, passed: float) -> float | None:
        """Seconds left, `passed` seconds of searching after its start; None until two results are in. To be asked after
        each result: the time before the first one is the workers' start, which does not come again."""
        if self._first is None:
            if self._cost:
                self._first = passed, self._cost
            return None
        since, before = self._first
        return self.ahead * (passed - since) / (self._cost - before) if self._cost > before else None


__all__ = ["Kind", "Met", "TimeLeft"]
