"""What a scan has found out so far."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import chess

from trapscan.authored import Authored, Ids
from trapscan.contract import Evidence
from trapscan.job.positions import ExplainedSlip, Outcome
from trapscan.job.telling import Retold
from trapscan.job.verdict import Verdict
from trapscan.model import Line, Position
from trapscan.settings import Settings


@dataclass(frozen=True, slots=True)
class ScanState:
    """All a scan knows when it is done: positions and their outcomes by EPD, reach per level by (EPD, whose repertoire
    it is), the chapters of a position by its EPD, and what the author says."""

    positions: Mapping[str, Position]
    outcomes: Mapping[str, Outcome]
    reach: Mapping[tuple[str, chess.Color], Sequence[float]]
    author: Authored
    chapters: Callable[[str], Ids]
    settings: Settings
    evidence: Callable[[str, str], Evidence | None] = lambda epd, move: None
    """How often a position (EPD) and a move of it occur in the games given, if any were."""
    verdicts: Mapping[tuple[str, str], tuple[Line, Verdict]] = field(default_factory=dict)
    """What a long look says: the victim's best line and the verdict, by (EPD, slip)."""

    retold: Mapping[tuple[str, str], Retold] = field(default_factory=dict)
    """Slips told with other answers tried, by (EPD, slip)."""

    def told(self, epd: str, slip: str) -> tuple[Line, ExplainedSlip | None]:
        """The victim's best line and the slip as they are known by now; no slip where a long look denies it."""
        outcome = self.outcomes[epd]
        told = next((told for told in outcome.told if told.slip.move == slip), None)
        best, verdict = self.verdicts.get((epd, slip), (outcome.examined.best, None))
        if told is not None and verdict is not None:
            told = borne_out(told, verdict)
        retold = self.retold.get((epd, slip))
        if told is not None and retold is not None:
            told = replace(told, explanation=retold.explanation)
        return best, told

    def after(self, position: Position, board: chess.Board, move: str) -> Position | None:
        """The position after a move, where the scan knows it."""
        child = board.copy(stack=False)
        child.push_uci(move)
        return self.positions.get(child.epd())


def borne_out(told: ExplainedSlip, verdict: Verdict) -> ExplainedSlip | None:
    """A slip as a long look sees it; None where it is none."""
    if verdict.slip is None or verdict.explanation is None:
        return None
    return replace(told, slip=verdict.slip, explanation=verdict.explanation)
