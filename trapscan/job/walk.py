"""The walk through the positions: those of the tree and those past the ends of its lines, what matters most first."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import chain

from trapscan import graph, rank
from trapscan.authored import Authored, Ids
from trapscan.contract import Problem
from trapscan.graph import Graph, turn_of
from trapscan.job.baits import BAIT_WORTH, BaitTask
from trapscan.job.counts import Counts
from trapscan.job.eta import Met, TimeLeft
from trapscan.job.glances import GLANCES
from trapscan.job.judging import forgets_at
from trapscan.job.packing import Asked, packed_chances, packed_digests
from trapscan.job.positions import POSITIONS, Outcome, Task
from trapscan.job.run import UNASKED, Done, Job
from trapscan.job.stakes import FURTHER, GLANCED, ROUND, Outlook
from trapscan.job.state import ScanState
from trapscan.job.tools import Tools
from trapscan.job.workers import AHEAD, is_over
from trapscan.levels import at_level
from trapscan.model import Chances, Position
from trapscan.settings import Settings
from trapscan.spool import Spool

Edge = tuple[str, str, str]
"""(EPD before, move, EPD after)."""


@dataclass(frozen=True, slots=True)
class Known:
    """Of a position that is examined what is asked for again and again; the outcome is the spool's `number`th.
    `chances`: of the moves that the scan goes on with, per level."""

    number: int
    asked: Asked
    candidates: int
    searches: int
    nodes: int
    problems: tuple[str, ...]
    chances: Chances
    onward: Mapping[bool, tuple[str, ...]]
    """The moves that are played on past an end: by whether it is ours."""


@dataclass(frozen=True, slots=True)
class Outcomes(Mapping[str, Outcome]):
    """Outcomes by EPD, each made anew when it is asked for."""

    spool: Spool[Outcome]
    positions: Mapping[str, Position]
    done: Mapping[Position, Known]

    def __getitem__(self, epd: str) -> Outcome:
        return self.spool[self.done[self.positions[epd]].number]

    def __iter__(self) -> Iterator[str]:
        return (epd for epd, position in self.positions.items() if position in self.done)

    def __len__(self) -> int:
        return sum(position in self.done for position in self.positions.values())


@dataclass(slots=True)
class Walk:
    """All that is known of the positions so far. `look` is called after each position that is done.

    Positions are examined where most is at stake first, some at a time, so that what lies past an end can come before
    what matters less. What is found does not depend on that: a position that several ends lead to is the one that the
    first of them leads to, and is examined again if another was there before.
    """

    job: Job
    tools: Tools
    counts: Counts
    author: Authored
    look: Callable[[], None] = lambda: None
    positions: dict[str, Position] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    outlook: Outlook = field(init=False)
    _onward: list[Edge] = field(default_factory=list)
    _chapters: dict[str, Ids] = field(default_factory=dict)
    _met: set[Position] = field(default_factory=set)
    _spool: Spool[Outcome] = field(default_factory=lambda: Spool(Outcome))
    _done: dict[Position, Known] = field(default_factory=dict)
    _failed: dict[Position, str] = field(default_factory=dict)
    _children: dict[tuple[Position, bool], list[tuple[str, Position]]] = field(default_factory=dict)
    _left: TimeLeft = field(default_factory=TimeLeft)

    def __post_init__(self) -> None:
        self.outlook = Outlook(self.settings)

    @property
    def tree(self) -> Graph:
        """The repertoire."""
        return self.author.tree

    @property
    def settings(self) -> Settings:
        """Those of the scan."""
        return self.tools.settings

    def run(self) -> int:
        """Examine the tree and what lies past its ends, as long as there is time; how many positions are left."""
        if self.settings.baits:
            self._left.afterwards = BAIT_WORTH * sum(self._is_ours(p, both=True) for p in self.tree.positions)
        while (waiting := self._waiting()) and not is_over(self.job.until):
            self._glance(waiting)
            stakes = self.stakes()
            chosen = sorted(waiting, key=lambda position: -stakes[position.epd])[: self._most(waiting)]
            self._examine(chosen, stakes)
        return len(waiting)

    def _most(self, waiting: Sequence[Position]) -> int:
        """How many are examined before it is asked again where most is at stake."""
        if not self.settings.beyond or self.counts.files:  # nothing comes up on the way, or it waits (see `_new`)
            return len(waiting)
        return max(ROUND, AHEAD * self.job.workers.jobs, len(self._done) // 2)

    # --- coming to positions -----------------------------------------------------------------------------------------

    def _waiting(self) -> list[Position]:
        """The positions to be examined, as far as they are known; what the store knows is none of them."""
        while new := self._new():
            self.counts.learn(new)
            self.job.progress.add(len(new))
            tasks = [self.counts.task(position) for position in new]
            for done in self.job.known(POSITIONS, self.tools, tasks):
                self._take(done)
                self.look()
            rest = [task for task in tasks if task.position not in self._done]
            for glanced in self.job.known(GLANCES, self.tools, rest):
                self.outlook.take(glanced, self._forgets(glanced.task.position))
            self._met.update(new)
            for position in new:
                self._left.found(self._as_met(position), known=position in self._done)
        return [p for p in self.positions.values() if not self._is_over(p)]

    def _new(self) -> list[Position]:
        """The positions that nobody has come to before. Where games are counted, one ply past the ends after the other,
        as they are read once for each."""
        self._refresh()
        new = [position for position in self.positions.values() if position not in self._met]
        if self.counts.files:
            depth = min((p.beyond for p in self.positions.values() if not self._is_over(p)), default=0)
            new = [position for position in new if position.beyond == depth]
        return new

    def _is_over(self, position: Position) -> bool:
        return position in self._done or position in self._failed

    def _refresh(self) -> None:
        """All positions that are known by now and what was found there: the tree's, then those past its ends, ply by
        ply, in the order of the ends, whatever the order in which they were examined."""
        self.positions = {position.epd: position for position in self.tree.positions}
        self._onward, self._chapters = [], {}
        ends: Sequence[Position] = [position for position in self.tree.positions if not position.prepared]
        for _ in range(self.settings.beyond):
            fresh: dict[str, Position] = {}
            for position in ends:
                for uci, child in self._after(position):
                    self._onward.append((position.epd, uci, child.epd))
                    if child.epd not in self.positions:
                        fresh.setdefault(child.epd, child)
                        held = {*self._chapters.get(child.epd, ()), *self.chapters(position.epd)}
                        self._chapters[child.epd] = tuple(sorted(held))
            self.positions |= fresh
            ends = list(fresh.values())
        self.failed = {epd: self._failed[each] for epd, each in self.positions.items() if each in self._failed}

    def _after(self, position: Position) -> list[tuple[str, Position]]:
        """Where the scan goes on past an end, once that is examined: moves, and what they lead to."""
        known, ours = self._done.get(position), self._is_ours(position)
        if known is None:
            return []
        if (position, ours) not in self._children:
            self._children[position, ours] = [(uci, graph.extend(position, uci)) for uci in known.onward[ours]]
        return self._children[position, ours]

    # --- examining them ----------------------------------------------------------------------------------------------

    def _glance(self, waiting: Sequence[Position]) -> None:
        """Glance at those that are reached most, as far ahead as is needed to choose among them."""
        if len(waiting) < 2:
            return
        reach = self._reach_here()
        often = sorted(waiting, key=lambda position: -reach.get(position.epd, 0.0))
        often = often[: max(GLANCED, FURTHER * self._most(waiting))]
        self._glance_at(often)
        if not self.counts.files:  # what lies past an end waits there
            ends = [position for position in often if not position.prepared]
            past = (child for end in ends for _, child in self.outlook.past(end, self._is_ours(end)))
            self._glance_at(child for child in past if child.epd not in self.positions)

    def _glance_at(self, positions: Iterable[Position]) -> None:
        tasks = [self.counts.task(position) for position in dict.fromkeys(positions) if position not in self.outlook]
        for glanced in self.job.each(GLANCES, self.tools, tasks):
            self.outlook.take(glanced, self._forgets(glanced.task.position))

    def _forgets(self, position: Position) -> float:
        """How often its owner plays another move there than the repertoire says; 1 where it says nothing."""
        if not position.prepared or not self._is_ours(position):
            return 1.0
        edges = self.tree.leaving[self.tree.index[position.epd]]
        return forgets_at(position, [self.tree.positions[self.tree.edges[edge][2]] for edge in edges])

    def _examine(self, chosen: Sequence[Position], stakes: Mapping[str, float]) -> None:
        tasks = [self.counts.task(position) for position in chosen]
        left = _Left(self._left, self._as_met)
        every = self.job.each(
            POSITIONS, self.tools, tasks, order=lambda task: -stakes[task.epd], left=left, announced=True
        )
        for done in every:
            self._take(done)
            self.look()

    def _take(self, done: Done[Task, Outcome]) -> None:
        position = done.task.position
        if done.outcome is None:
            self._failed[position] = done.problem
            return
        self._done[position] = self._known_of(done.task, done.outcome)
        self.outlook.examined(position)
        here = self.positions.get(position.epd) == position
        if here and done.task.is_end and position.beyond < self.settings.beyond:
            new = sum(child.epd not in self.positions for _, child in self._after(position))
            self._left.grown(self._as_met(position), new)

    def _as_met(self, position: Position) -> Met:
        end = not position.prepared
        return Met(end, turn_of(position.epd), (self.settings.beyond - position.beyond) * end)

    @property
    def outcomes(self) -> Outcomes:
        """What was found, position by position."""
        return Outcomes(self._spool, self.positions, self._done)

    def known(self) -> list[Known]:
        """The same, of each position that is examined."""
        return [self._done[position] for position in self.positions.values() if position in self._done]

    def _known_of(self, task: Task, outcome: Outcome) -> Known:
        examined = outcome.examined
        onward = self._moves_onward(outcome) if task.is_end else {}
        moves = dict.fromkeys(chain(task.position.prepared, *onward.values()))
        return Known(
            number=self._spool.add(replace(outcome, asked=())),
            asked=packed_digests(outcome.asked),
            candidates=examined.candidates,
            searches=examined.searches,
            nodes=examined.nodes,
            problems=examined.problems,
            chances=packed_chances({move: examined.chances[move] for move in moves if move in examined.chances}),
            onward=onward,
        )

    def _moves_onward(self, outcome: Outcome) -> dict[bool, tuple[str, ...]]:
        """Past the end of a line: our best move; of the other side, the likely moves that are no slips."""
        examined, chosen = outcome.examined, self.settings
        best = examined.best.pv[:1]
        if not best:
            return {True: (), False: ()}
        slips = {told.slip.move for told in outcome.told}
        chance = {move: at_level(by_level, chosen.levels, chosen.level) for move, by_level in examined.chances.items()}
        likely = sorted(
            (move for move, p in chance.items() if p >= chosen.beyond_chance and move not in slips),
            key=lambda move: (-chance[move], move),
        )
        return {True: best, False: tuple(likely[: chosen.beyond_width]) or best}

    def _is_ours(self, position: Position, *, both: bool = False) -> bool:
        """Whether our side is to move; with `both`, also where both sides are ours."""
        side = self.author.side_of(self.chapters(position.epd))
        return side == rank.side_name(turn_of(position.epd)) or (both and side == "both")

    def chapters(self, epd: str) -> Ids:
        """The chapters that hold a position; past the end of a line, those of that line."""
        at = self.tree.index.get(epd)
        return self.author.held[at] if at is not None else self._chapters[epd]

    # --- what is known so far ----------------------------------------------------------------------------------------

    def seen(self) -> ScanState:
        """What is known, at any time: the same, whatever the order in which it was found."""
        self._refresh()
        reach = self._reaches()
        return ScanState(
            self.positions, self.outcomes, reach, self.author, self.chapters, self.settings, self.counts.of
        )

    def _reaches(self) -> dict[tuple[str, bool], Sequence[float]]:
        """How often each position is reached, by whose repertoire it is."""
        choices = self.counts.choices(self.tree.positions)
        side = self.author.side
        return {
            (epd, ours): array("d", by_level)
            for ours in ((rank.SIDES[side],) if side in rank.SIDES else (True, False))
            for epd, by_level in self._reach(ours, choices).items()
        }

    def _reach(self, ours: bool, choices: Mapping[str, Mapping[str, float]]) -> dict[str, tuple[float, ...]]:
        levels = self.settings.levels
        chances: dict[str, Chances] = {
            position.epd: chances
            for position, chances in self.outlook.chances.items()
            if position.epd not in self.failed
        }
        chances |= {epd: self._done[each].chances for epd, each in self.positions.items() if each in self._done}
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

    def _reach_here(self) -> dict[str, float]:
        """How often each position is reached at the level, whosever repertoire it is."""
        here: dict[str, float] = {}
        for (epd, _), by_level in self._reaches().items():
            share = at_level(by_level, self.settings.levels, self.settings.level)
            here[epd] = max(here.get(epd, 0.0), share)
        return here

    def stakes(self) -> dict[str, float]:
        """What is at stake in each position that is known, by EPD (see `Outlook`)."""
        return self.outlook.stakes(self.positions, self._reach_here(), self._is_ours)

    def problems(self) -> tuple[Problem, ...]:
        """Positions that could not be examined, and odd answers of the engine, in the order of the positions."""
        return told_of(self.positions, self.failed, lambda epd: self._odd(epd))

    def _odd(self, epd: str) -> Sequence[str]:
        known = self._done.get(self.positions[epd])
        return known.problems if known is not None else ()

    def bait_tasks(self) -> list[BaitTask]:
        """The positions of ours in the tree that were examined and have a move, in order, with the move meant there."""
        tasks, outcomes = [], self.outcomes
        for at, position in enumerate(self.tree.positions):
            outcome = outcomes.get(position.epd)
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
    met: Callable[[Position], Met]

    def looked_up(self, known: int, waiting: Sequence[Task]) -> None:
        """They were found before."""

    def searched(self, task: Task, seconds: float) -> None:
        self.left.searched(self.met(task.position), seconds)

    def seconds(self, passed: float) -> float | None:
        return self.left.seconds(passed)


__all__ = ["Walk", "told_of"]
