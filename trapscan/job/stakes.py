"""What is at stake in a position: how high a finding there could stand in the report, by a glance. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from trapscan.graph import extend
from trapscan.job.glances import Glance
from trapscan.job.packing import packed_chances
from trapscan.job.positions import Task
from trapscan.job.run import Done
from trapscan.model import Chances, Position
from trapscan.order import DAMPED
from trapscan.score import loss
from trapscan.settings import Settings

ROUND = 24
"""So many positions are examined at least before it is asked again where most is at stake; later half as many as are
done. What lies past an end is known once that is examined."""

FURTHER, GLANCED = 4, 240
"""So many times as many positions as are examined next are glanced at, those that are reached most first; and so many
at least."""

GREAT = 0.25
"""A loss (objective expected score) beyond which more makes no difference."""

MAY_BE = 0.4
"""What is added to the worth that a glance sees: it takes many a tactic for something else."""


def left_open(glance: Glance, forgotten: float = 1.0) -> float:
    """What would be at stake if the position were reached in every game: the most that a move's chance, damped as in
    the report, its worth and its loss make together. `forgotten`: how often its owner comes to play anything but the
    repertoire's moves."""
    if not glance.moves:
        return 0.0
    best = max((score for _, _, score, _ in glance.moves), key=lambda score: score.plain)
    return max(
        float((chance * (1.0 if move in glance.prepared else forgotten)) ** DAMPED)
        * min(GREAT, max(0.0, loss(best, score)))
        * (worth + MAY_BE)
        for move, chance, score, worth in glance.moves
    )


Onward = tuple[tuple[str, float], ...]
"""Moves, each with its share of the games that come to their position."""


def likely_onward(glance: Glance, settings: Settings) -> dict[bool, Onward]:
    """The moves that the scan will go on with past an end, as far as a glance tells, by whether the end is ours (as in
    `Walk`)."""
    if not glance.moves:
        return {True: (), False: ()}
    move, _, best, _ = max(glance.moves, key=lambda each: each[2].plain)
    likely = sorted(
        (-chance, move)
        for move, chance, score, _ in glance.moves
        if chance >= settings.beyond_chance and loss(best, score) < settings.threshold
    )
    theirs = tuple((move, -chance) for chance, move in likely[: settings.beyond_width])
    return {True: ((move, 1.0),), False: theirs or ((move, 1.0),)}


@dataclass(slots=True)
class Outlook:
    """What glances tell of positions, and of what seems to lie past the ends of lines: that comes up only when they are
    examined, but is at stake there."""

    settings: Settings
    glanced: int = 0
    """Moves that were glanced at."""
    chances: dict[Position, Chances] = field(default_factory=dict)
    """Of the repertoire's moves, where no more is known."""
    _open: dict[Position, float] = field(default_factory=dict)
    _onward: dict[Position, dict[bool, Onward]] = field(default_factory=dict)
    _past: dict[tuple[Position, bool], list[tuple[float, Position]]] = field(default_factory=dict)

    def __contains__(self, position: Position) -> bool:
        """Whether it was glanced at."""
        return position in self._open

    def take(self, done: Done[Task, Glance], forgotten: float) -> None:
        """A glance, or none where it failed. `forgotten`: see `left_open`."""
        position, glance = done.task.position, done.outcome
        self._open[position] = 0.0
        if glance is None:
            return
        self.glanced += len(glance.moves)
        self._open[position] = left_open(glance, forgotten)
        if glance.prepared:
            self.chances[position] = packed_chances(glance.prepared)
        if done.task.is_end and position.beyond < self.settings.beyond:
            self._onward[position] = likely_onward(glance, self.settings)

    def examined(self, position: Position) -> None:
        """More is known of this one now."""
        self.chances.pop(position, None)
        self._onward.pop(position, None)
        for ours in (True, False):
            self._past.pop((position, ours), None)

    def past(self, position: Position, ours: bool) -> list[tuple[float, Position]]:
        """What seems to lie past an end, each with its share of the games that come there; `ours`: whether it is our
        side's to move."""
        if position not in self._onward:
            return []
        if (position, ours) not in self._past:
            moves = self._onward[position][ours]
            self._past[position, ours] = [(share, extend(position, move)) for move, share in moves]
        return self._past[position, ours]

    def stakes(
        self, positions: Mapping[str, Position], reach: Mapping[str, float], ours: Callable[[Position], bool]
    ) -> dict[str, float]:
        """What is at stake in positions, by EPD: how often each is reached, damped as in the report, times what it
        leaves open; where that is not known, as much as on the mean."""
        usual = math.fsum(self._open.values()) / len(self._open) if self._open else 1.0

        def open_at(position: Position) -> float:
            here = self._open.get(position, usual)
            if position not in self._onward:
                return here
            past = self.past(position, ours(position))
            return max(here, *(float(share**DAMPED) * self._open.get(child, 0.0) for share, child in past), 0.0)

        return {
            epd: float(max(0.0, reach.get(epd, 0.0)) ** DAMPED) * open_at(position)
            for epd, position in positions.items()
        }


__all__ = ["FURTHER", "GLANCED", "MAY_BE", "ROUND", "Outlook", "left_open", "likely_onward"]
