"""How long a scan will still take, said honestly: from what was searched so far, what lies before it, and what will
probably be found past the ends of the lines. Pure arithmetic; whoever asks brings the clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(slots=True)
class Kind:
    """Positions of one kind (inside the tree, or at an end of it): how many wait, how many are done, and their cost in
    seconds of a worker's time."""

    waiting: int = 0
    done: int = 0
    cost: float = 0.0


@dataclass(slots=True)
class Growth:
    """Ends with one side to move: to how many new positions they led. One end's worth of `prior` before any is seen."""

    prior: float
    ends: int = 0
    children: int = 0

    @property
    def mean(self) -> float:
        """New positions an end leads on to."""
        return (self.prior + self.children) / (1 + self.ends)


@dataclass(slots=True)
class TimeLeft:
    """Positions past the ends of lines come in waves, and are not known before the wave before them is done: their
    number is reckoned from the ends done so far, by the side to move, their cost is that of an end.

    Positions are searched in an order that is as good as shuffled, so those done are a fair sample of all.
    """

    waves: int = 0
    """How many plies the scan goes on past the ends."""
    afterwards: float = 0.0
    """Work that follows the last wave (the search for baits), in positions of the usual cost."""
    growth: Mapping[bool, Growth] = field(default_factory=lambda: {True: Growth(1.0), False: Growth(1.0)})
    """By the side to move (True: White)."""
    kinds: Mapping[bool, Kind] = field(default_factory=lambda: {False: Kind(), True: Kind()})
    """By whether the position is an end."""
    ends: Mapping[bool, int] = field(default_factory=dict)
    """Ends of the present wave, by the side to move."""
    _begun: int = 0
    _known: int = 0
    _looked_up: int = 0
    _first: tuple[float, float] | None = None

    def wave(self, ends: Mapping[bool, int]) -> None:
        """A wave begins: so many of its positions are ends (past the tree, all are), by the side to move."""
        self.ends = ends
        self._begun += 1

    def looked_up(self, known: int, unknown: Mapping[bool, int]) -> None:
        """What the store says to this wave: so many were known, so many of each kind wait for a search."""
        self._known += known
        self._looked_up += known + sum(unknown.values())
        for kind, number in unknown.items():
            self.kinds[kind].waiting += number

    def searched(self, end: bool, seconds: float) -> None:
        """A position of that kind was searched and took so many seconds of a worker's time."""
        kind = self.kinds[end]
        kind.waiting -= 1
        kind.done += 1
        kind.cost += seconds

    def grown(self, white: bool, children: int) -> None:
        """An end with that side to move, from the store or searched, leads on to so many new positions."""
        self.growth[white].ends += 1
        self.growth[white].children += children

    @property
    def to_come(self) -> float:
        """How many positions the waves to come will probably have."""
        wave, total = {white: float(self.ends.get(white, 0)) for white in (True, False)}, 0.0
        for _ in range(self.waves + 1 - self._begun):
            wave = {not white: number * self.growth[white].mean for white, number in wave.items()}
            total += sum(wave.values())
        return total

    @property
    def ahead(self) -> float:
        """Seconds of workers' time that the rest will probably take; 0 while nothing is done."""
        done, cost = self._sums()
        if not done:
            return 0.0

        def of(kind: Kind) -> float:
            return kind.cost / kind.done if kind.done else cost / done

        unknown = 1 - self._known / self._looked_up if self._looked_up else 1.0
        waiting = sum(kind.waiting * of(kind) for kind in self.kinds.values())
        later = self.to_come * unknown * of(self.kinds[True])
        return waiting + later + self.afterwards * unknown * cost / done

    def seconds(self, passed: float) -> float | None:
        """Seconds left, `passed` seconds of searching after its start; None until two results are in. To be asked after
        each result: the time before the first one is the workers' start, which does not come again."""
        _, cost = self._sums()
        if self._first is None:
            if cost:
                self._first = passed, cost
            return None
        since, before = self._first
        return self.ahead * (passed - since) / (cost - before) if cost > before else None

    def _sums(self) -> tuple[int, float]:
        """Positions searched, and seconds of workers' time they took."""
        return sum(kind.done for kind in self.kinds.values()), sum(kind.cost for kind in self.kinds.values())


__all__ = ["Kind", "TimeLeft"]
