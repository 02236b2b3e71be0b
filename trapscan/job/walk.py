"""The walk through the positions: those of the tree, then, wave after wave, those past the ends of its lines."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

from trapscan import graph, rank
from trapscan.authored import Authored, Ids
from trapscan.contract import Problem
from trapscan.graph import Graph, turn_of
from trapscan.job.baits import BAIT_WORTH, BaitTask
from trapscan.job.compact import Compactor
from trapscan.job.counts import Counts
from trapscan.job.left import TimeLeft
from trapscan.job.positions import POSITIONS, Outcome, Task
from trapscan.job.run import UNASKED, Job, Key
from trapscan.job.seen import Seen
from trapscan.job.tools import Tools
from trapscan.levels import at_level
from trapscan.model import Position
from trapscan.settings import Settings

Edge = tuple[str, str, str]
"""(EPD before, move, EPD after)."""


@dataclass(slots=True)
class Walk:
    """All that is known of the positions so far. `order` is what positions are worked on by (see Job.each); `look` is
    called after each position that is done."""

    job: Job
    tools: Tools
    counts: Counts
    author: Authored
    order: Key[Task] | None = None
    look: Callable[[], None] = lambda: None
    positions: dict[str, Position] = field(default_factory=dict)
    outcomes: dict[str, Outcome] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    small: Compactor = field(default_factory=Compactor)
    _onward: list[Edge] = field(default_factory=list)
    _chapters: dict[str, Ids] = field(default_factory=dict)
    _children: dict[str, list[tuple[str, Position]]] = field(default_factory=dict)
    _left: TimeLeft = field(default_factory=TimeLeft)

    @property
    def tree(self) -> Graph:
        """The repertoire."""
        return self.author.tree

    @property
    def settings(self) -> Settings:
        """Those of the scan."""
        return self.tools.settings

    def run(self) -> None:
        """Examine the tree, then go on past its ends, one ply after the other."""
        self.positions |= {position.epd: position for position in self.tree.positions}
        self._left.waves = self.settings.beyond
        if self.settings.baits:
            self._left.afterwards = BAIT_WORTH * sum(self._is_ours(p, both=True) for p in self.tree.positions)
        self._examine(self.tree.positions, self.settings.beyond)
        ends: Sequence[Position] = [position for position in self.tree.positions if not position.prepared]
        for wave in range(self.settings.beyond, 0, -1):
            if self.job.cut:
                return
            ends = self._next(ends)
            self._examine(ends, wave - 1)

    def _examine(self, wave: Sequence[Position], waves_to_come: int) -> None:
        self.counts.learn(wave)
        tasks = [self.counts.task(position) for position in wave]
        self._left.wave(Counter(turn_of(task.epd) for task in tasks if task.is_end))
        new: set[str] = set()
        for done in self.job.each(POSITIONS, self.tools, tasks, order=self.order, left=_Left(self._left)):
            if done.outcome is None:
                self.failed[done.task.epd] = done.problem
            else:
                self.outcomes[done.task.epd] = self.small(done.outcome)
                if waves_to_come and done.task.is_end:
                    self._grow(done.task.position, done.outcome, new)
            self.look()

    def _grow(self, position: Position, outcome: Outcome, new: set[str]) -> None:
        """What follows past an end, as soon as it is known: how many positions no one has come to before."""
        moves = self._moves_onward(position, outcome)
        children = self._children[position.epd] = [(uci, graph.extend(position, uci)) for uci in moves]
        before = len(new)
        new.update(child.epd for _, child in children if child.epd not in self.positions)
        self._left.grown(turn_of(position.epd), len(new) - before)

    def _next(self, ends: Sequence[Position]) -> Sequence[Position]:
        """The wave after these ends, in their order, whatever the order in which they were done."""
        fresh: dict[str, Position] = {}
        for position in ends:
            for uci, child in self._children.pop(position.epd, ()):
                self._onward.append((position.epd, uci, child.epd))
                if child.epd not in self.positions:
                    fresh.setdefault(child.epd, child)
                    held = {*self._chapters.get(child.epd, ()), *self.chapters(position.epd)}
                    self._chapters[child.epd] = tuple(sorted(held))
        self.positions |= fresh
        return list(fresh.values())

    def _moves_onward(self, position: Position, outcome: Outcome) -> Iterator[str]:
        """Past the end of a line: our best move; of the other side, the likely moves that are no slips."""
        examined, chosen = outcome.examined, self.settings
        if not examined.best.pv:
            return
        best = examined.best.pv[0]
        if self._is_ours(position):
            yield best
            return
        slips = {told.slip.move for told in outcome.told}
        chance = {move: at_level(by_level, chosen.levels, chosen.level) for move, by_level in examined.chances.items()}
        likely = sorted(
            (move for move, p in chance.items() if p >= chosen.beyond_chance and move not in slips),
            key=lambda move: (-chance[move], move),
        )
        yield from likely[: chosen.beyond_width] or [best]

    def _is_ours(self, position: Position, *, both: bool = False) -> bool:
        """Whether our side is to move; with `both`, also where both sides are ours."""
        side = self.author.side_of(self.chapters(position.epd))
        return side == rank.side_name(turn_of(position.epd)) or (both and side == "both")

    def chapters(self, epd: str) -> Ids:
        """The chapters that hold a position; past the end of a line, those of that line."""
        at = self.tree.index.get(epd)
        return self.author.held[at] if at is not None else self._chapters[epd]

    # --- what is known so far ----------------------------------------------------------------------------------------

    def seen(self) -> Seen:
        """What is known, at any time: the same, whatever the order in which it was found."""
        choices = self.counts.choices(self.tree.positions)
        side = self.author.side
        reach = {
            (epd, ours): by_level
            for ours in ((rank.SIDES[side],) if side in rank.SIDES else (True, False))
            for epd, by_level in self._reach(ours, choices).items()
        }
        done = {epd: self.outcomes[epd] for epd in self.positions if epd in self.outcomes}
        return Seen(self.positions, done, reach, self.author, self.chapters, self.settings, self.counts.of)

    def _reach(self, ours: bool, choices: Mapping[str, Mapping[str, float]]) -> dict[str, tuple[float, ...]]:
        levels = self.settings.levels
        chances = {epd: outcome.examined.chances for epd, outcome in self.outcomes.items()}
        reach = graph.reach(
            self.tree, chances, ours, levels, weights=choices, choices=partial(self.author.choices_at, ours=ours)
        )
        from_here = Counter(before for before, _, _ in self._onward)
        nothing = tuple(0.0 for _ in levels)
        for before, uci, after in self._onward:  # waves in order: a parent is complete before its children are reached
            if turn_of(before) == ours:
                share = tuple(1 / from_here[before] for _ in levels)
            else:
                share = chances[before].get(uci, nothing)
            added = [r * s for r, s in zip(reach.get(before, nothing), share, strict=True)]
            reach[after] = tuple(min(1.0, a + b) for a, b in zip(reach.get(after, nothing), added, strict=True))
        return reach

    def stakes(self, seen: Seen) -> dict[str, float]:
        """What is at stake in each position that is known, by EPD: how often it is reached at the level."""
        stakes = dict.fromkeys(self.positions, 0.0)
        for (epd, _), by_level in seen.reach.items():
            share = at_level(by_level, self.settings.levels, self.settings.level)
            stakes[epd] = max(stakes.get(epd, 0.0), share)
        return stakes

    def problems(self) -> tuple[Problem, ...]:
        """Positions that could not be examined, and odd answers of the engine, in the order of the positions."""
        return told_of(self.positions, self.failed, lambda epd: self._odd(epd))

    def _odd(self, epd: str) -> Sequence[str]:
        return self.outcomes[epd].examined.problems if epd in self.outcomes else ()

    def bait_tasks(self) -> list[BaitTask]:
        """The positions of ours in the tree that were examined and have a move, in order, with the move meant there."""
        tasks = []
        for at, position in enumerate(self.tree.positions):
            outcome = self.outcomes.get(position.epd)
            if outcome is None or not outcome.examined.best.pv or not self._is_ours(position, both=True):
                continue
            edges = self.author.choices_at(at, turn_of(position.epd))
            edge = self.tree.edges[edges[0]] if edges else None
            move, after = (edge[1], self.tree.positions[edge[2]]) if edge else (None, None)
            tasks.append(BaitTask(self.counts.task(position), outcome.examined.best, move, after))
        return tasks


def told_of(
    positions: Mapping[str, Position],
    failed: Mapping[str, str],
    odd: Callable[[str], Sequence[str]],
    about: str = "",
) -> tuple[Problem, ...]:
    """Problems in the order of the positions: why one `failed`, and what was `odd` there; what was UNASKED as one."""
    told = [
        Problem(file="", game=0, ply=len(position.moves), text=f"{about}{text} (position {epd})")
        for epd, position in positions.items()
        for text in [*([failed[epd]] if failed.get(epd, UNASKED) != UNASKED else []), *odd(epd)]
    ]
    unasked = sum(text == UNASKED for text in failed.values())
    if unasked:
        told.append(Problem(file="", game=0, ply=0, text=f"{about}{unasked:,} positions were {UNASKED}"))
    return tuple(told)


@dataclass(slots=True)
class _Left:
    """The walk's time left, told of tasks."""

    left: TimeLeft

    def looked_up(self, known: int, waiting: Sequence[Task]) -> None:
        self.left.looked_up(known, Counter(task.is_end for task in waiting))

    def searched(self, task: Task, seconds: float) -> None:
        self.left.searched(task.is_end, seconds)

    def seconds(self, passed: float) -> float | None:
        return self.left.seconds(passed)


__all__ = ["Walk", "told_of"]
