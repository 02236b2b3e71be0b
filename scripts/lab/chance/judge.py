"""An engine's losses alone as chances, to compare with."""

from __future__ import annotations

import numpy as np

from scripts.lab.chance.logit import conditional_logit
from trapscan.chance.correction import features


def engine_only(tables: list[np.ndarray], levels: list[float], played: list[int]) -> list[tuple[float, bool]]:
    """A logit on losses alone, without the net: nats and hit of each position. `tables` are (legal moves, 2) losses at
    a shallow and a deep search. The weights for the even positions are fitted on the odd ones, and vice versa."""
    rated = []
    for losses, level in zip(tables, levels, strict=True):
        facts = features(losses)
        rated.append(np.hstack([facts, (level - 1600) / 500 * facts]))
    out: list[tuple[float, bool]] = [(0.0, False)] * len(tables)
    for half in (0, 1):
        fitted = range(1 - half, len(tables), 2)
        weights = conditional_logit([rated[i] for i in fitted], [played[i] for i in fitted])
        for i in range(half, len(tables), 2):
            u = rated[i] @ weights
            out[i] = (float(np.log(np.exp(u - u[played[i]]).sum())), int(u.argmax()) == played[i])
    return out
