"""What a scan has found out so far."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import chess

from trapscan.contract import Evidence
from trapscan.job.positions import Outcome
from trapscan.job.verdict import Verdict
from trapscan.model import Line, Position
from trapscan.settings import Settings


@dataclass(frozen=True, slots=True)
class Seen:
    """All a scan knows when it is done: positions and their outcomes by EPD, and reach per level by (EPD, whose
    repertoire it is)."""

    positions: Mapping[str, Position]
    outcomes: Mapping[str, Outcome]
    reach: Mapping[tuple[str, chess.Color], tuple[float, ...]]
    side: str
    settings: Settings
    evidence: Callable[[str, str], Evidence | None] = lambda epd, move: None
    """How often a position (EPD) and a move of it occur in the games given, if any were."""
    verdicts: Mapping[tuple[str, str], tuple[Line, Verdict]] = field(default_factory=dict)
    """What a long look says: the victim's best line and the verdict, by (EPD, slip)."""

    def after(self, position: Position, board: chess.Board, move: str) -> Position | None:
        """The position after a move, where the scan knows it."""
        child = board.copy(stack=False)
        child.push_uci(move)
        return self.positions.get(child.epd())
