"""Looking for baits: at each position of ours, which alternatives set tricks, each examined like any other position.

A task is a position of ours and the repertoire's move there; its outcome depends on these alone. Outcomes are kept in
the store as those of positions are, and the engine's answers are shared with the rest of the scan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import msgspec

from trapscan import graph
from trapscan.chance import expected
from trapscan.job.bait_terms import BaitOutcome, Tried, terms
from trapscan.job.positions import POSITIONS, Outcome, Task, examine
from trapscan.job.stage import Fields, Stage
from trapscan.job.tools import Tools
from trapscan.job.work import Recorder
from trapscan.levels import at_level
from trapscan.model import ChanceModel, Line, Position
from trapscan.search import MUCH, Prospector
from trapscan.settings import BAIT_SETTINGS, POSITION_SETTINGS, Settings

NEAR = 2.0
"""A price between the limit divided by this and the limit times this is measured again, if the move brings enough at
the lower of the two."""

BAIT_WORTH = 1.9
"""What searching a position of ours for baits takes, in examinations of a position; for the time left only."""


@dataclass(frozen=True, slots=True)
class BaitTask:
    """A position of ours, with the counts that concern it, and our best line as its examination has found it. `move`
    is the repertoire's move (UCI), `after` the position it leads to, both None where the repertoire holds none."""

    at: Task
    best: Line
    move: str | None
    after: Position | None

    @property
    def position(self) -> Position:
        """The position of ours."""
        return self.at.position

    @property
    def epd(self) -> str:
        """Its EPD."""
        return self.at.epd

    def cache_key(self) -> Fields:
        """The position after the repertoire's move stands in the tree with moves of its own."""
        after = None if self.after is None else Task(self.after).cache_key()
        return {"at": self.at.cache_key(), "best": str(self.best), "move": self.move, "after": after}


class BaitSearch:
    """The search of one position of ours: what was asked about it so far."""

    def __init__(self, task: BaitTask, evaluator: Recorder, model: ChanceModel, settings: Settings) -> None:
        self.task, self.evaluator, self.model, self.settings = task, evaluator, model, settings
        self.prospector = Prospector(evaluator, model, settings, expected)
        self.tried: dict[str, Tried] = {}

    def measure(self) -> str | None:
        """The move that baits are measured against: the repertoire's, or the engine's first choice where that costs too
        much. None, for best play, where the repertoire holds no move: any move of ours would set some trick, the one
        that it is measured against too."""
        task = self.task
        if task.move is None or task.after is None:
            return None
        prepared = self.examine(task.move, task.after)
        price = self.prospector.price(self.task.best, prepared.at_best_play)
        if task.move == self.task.best.pv[0] or price <= self.settings.bait_price:
            return task.move
        return self.examine(self.task.best.pv[0]).move

    def examine(self, move: str, after: Position | None = None) -> Tried:
        """The position after the move, as any other is examined; what was examined once is not again."""
        if move not in self.tried:
            position = after or graph.extend(self.task.position, move)
            outcome = examine(position, self.evaluator, self.model, self.settings)
            refined = self.prospector.refine(outcome.examined, position.board())
            self.tried[move] = Tried(move, position, Outcome(refined, outcome.told, ()))
        return self.tried[move]

    def search(self, measure: str | None) -> BaitOutcome:
        """Examine the most promising moves: `bait_verified`, and all that promise much; all but the first only as far
        as `bait_nodes` go."""
        task, settings = self.task, self.settings
        to_beat = (
            expected(task.best.score, settings.level)
            if measure is None
            else self.prospector.first_value(self.tried[measure].outcome.examined)
        )
        known = {*task.position.prepared, *self.tried}
        for place, prospect in enumerate(self.prospector.choose(task.position, task.best, known, to_beat)):
            wanted = place < settings.bait_verified or prospect.promise >= MUCH
            if wanted and (place == 0 or self.nodes < settings.bait_nodes):
                self.settle(measure, self.examine(prospect.move))
        return self.outcome(measure)

    def outcome(self, measure: str | None) -> BaitOutcome:
        """What came of it."""
        task, prepared = self.task, self.tried.get(self.task.move or "")
        return BaitOutcome(
            epd=task.position.epd,
            best=task.best,
            move=task.move,
            score=prepared.at_best_play if prepared is not None else None,
            measure=measure,
            tried=tuple(self.tried.values()),
            searches=len(self.evaluator.asked),
            nodes=self.nodes,
            asked=self.evaluator.digests(),
        )

    def settle(self, measure: str | None, tried: Tried) -> None:
        """Measure the move's price again with more nodes, if it is near the limit and the rest may speak for it."""
        found = self.outcome(measure)
        if not found.is_candidate(tried, self.task.position):
            return
        now = terms(found, tried, self.settings)
        limit, price = self.settings.bait_price, self._here(now.prices)
        if limit / NEAR < price < limit * NEAR and now.brings_enough_but(price - limit / NEAR):
            scores = self.prospector.scores_of_price(self.task.position, tried.position)
            self.tried[tried.move] = replace(tried, price_scores=scores)

    def _here(self, by_level: Sequence[float]) -> float:
        return at_level(by_level, self.settings.levels, self.settings.level)

    @property
    def nodes(self) -> int:
        """Nodes behind the answers used, wherever they came from: what is examined must not depend on the store."""
        return self.prospector.nodes + sum(each.outcome.examined.nodes for each in self.tried.values())


def look(tools: Tools, task: BaitTask, recorder: Recorder) -> BaitOutcome:
    """Search one position of ours for baits; the bound on nodes is stretched with the budgets."""
    settings = msgspec.structs.replace(tools.settings, bait_nodes=tools.probe.stretched(tools.settings.bait_nodes))
    looking = BaitSearch(task, recorder, task.at.model(tools.settings), settings)
    return looking.search(looking.measure())


BAITS = Stage(
    "baits",
    "positions searched for baits",
    look,
    BaitOutcome,
    settings=POSITION_SETTINGS | BAIT_SETTINGS,
    code=(*POSITIONS.code, "graph.py", "openings.py", "movetree.py", "job/baits.py", "job/bait_terms.py"),
)


__all__ = ["BAITS", "BAIT_WORTH", "BaitOutcome", "BaitSearch", "BaitTask", "Tried"]
