"""What a long look says of a slip."""

from __future__ import annotations

from dataclasses import dataclass

from trapscan.explain import Explanation
from trapscan.model import Slip
from trapscan.score import Score


@dataclass(frozen=True, slots=True)
class Verdict:
    """`slip` and `explanation`: None where the move (UCI) is no slip after all. `answer`: the victim's score after the
    repertoire's answer to it, where there is one."""

    move: str
    slip: Slip | None
    explanation: Explanation | None
    answer: Score | None
