"""Would a coach set it? A small ordered model over plain facts; its coefficients lie in worth.toml, readable.

The score of a finding is a sum of weight times feature. From it come two chances, that a coach would show the position
at all, and that he would gladly set it; the worth is their mean. Fitted by `fit_worth` on judged findings, and
checked with each repertoire left out in turn by scripts/run check_worth.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources

from trapscan.contract import Nature
from trapscan.model import Signs
from trapscan.score import Score

USUAL = 0.05
"""The chance of a slip that is neither common nor rare; the feature `common` is 0 there."""

RAREST = 0.0005
"""Below this chance rarer makes no difference."""

LOST = 3.0
"""Pawns by which the victim is behind afterwards, beyond which more teaches no more; as much as a mate."""

PIECE = 2
"""Pawns from which a man that the slip puts where it is taken is more than a pawn."""

OBVIOUS = 0.85
"""What so many punish unprepared need not be taught."""


@dataclass(frozen=True, slots=True)
class Case:
    """What the worth of a slip at one level is judged by: `best` and `slip` are the victim's scores, `chance` that a
    player of the level plays it, `find` that one punishes it unprepared; `motif`: whether there is a tactical motif in
    its refutation; `won`: whether something is said to be won."""

    nature: Nature
    signs: Signs
    best: Score
    slip: Score
    chance: float
    find: float
    motif: bool
    won: bool


def features(case: Case) -> dict[str, float]:
    """The features by name, each for a reason: a tactic is what a coach is after, the more so if it ends with something
    in hand; a motif gives it a name; what many play is met; who stands no worse afterwards has nothing to regret; a
    piece thrown where anybody takes it, and what nearly everybody punishes, ask for no thought."""
    tactic = case.nature is Nature.TACTIC
    behind = LOST if case.slip.mate_lost else -case.slip.plain / 100
    return {
        "tactic": float(tactic),
        "won": float(tactic and case.won),
        "motif": float(case.motif),
        "common": math.log(max(case.chance, RAREST) / USUAL),
        "worse": min(LOST, max(0.0, behind)),
        "thrown": float(case.signs.slip_takes <= -PIECE),
        "obvious": float(case.find > OBVIOUS),
    }


@dataclass(frozen=True, slots=True)
class Model:
    """`weights` by feature; a finding whose score reaches `shown` is as likely as not to be shown by a coach, at
    `gladly` to be set gladly."""

    weights: Mapping[str, float]
    shown: float
    gladly: float

    def score(self, values: Mapping[str, float]) -> float:
        """The sum of weight times feature."""
        return sum(weight * values[name] for name, weight in self.weights.items())

    def worth(self, values: Mapping[str, float]) -> float:
        """0 to 1: the mean of the two chances."""
        score = self.score(values)
        return (_chance(score - self.shown) + _chance(score - self.gladly)) / 2


def worth(case: Case) -> float:
    """Whether a coach of the level would want it, 0 to 1."""
    return model().worth(features(case))


@cache
def model() -> Model:
    """The fitted model."""
    text = resources.files("trapscan.rank").joinpath("worth.toml").read_text(encoding="utf-8")
    given = tomllib.loads(text)
    return Model(dict(given["weights"]), given["shown"], given["gladly"])


def _chance(score: float) -> float:
    return 1.0 / (1.0 + math.exp(-score))
