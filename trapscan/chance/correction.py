"""The join: the net's chances once an engine has said what the moves lose."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass

import numpy as np
import numpy.typing as npt

from trapscan.chance.encode import slowness
from trapscan.model import Chances

Floats = npt.NDArray[np.float64]

FEATURES = 5
"""Shallow loss, its root, deep loss, its root, swing (deep minus shallow where deeper is worse)."""
ROOT_DEEP = 3


def features(losses: Floats) -> Floats:
    """(moves, 2) losses at the shallow and the deep search, in expected score -> (moves, FEATURES)."""
    shallow, deep = losses[:, 0], losses[:, 1]
    swing = np.maximum(deep - shallow, 0)
    return np.stack([shallow, np.sqrt(shallow), deep, np.sqrt(deep), swing], 1)


def scaled(levels: Floats) -> Floats:
    """Levels about 1600 in units of 500 Elo, bent flat towards the ends: there are few games to fit below 1000 and
    above 2200, and what was seen in the middle must not run on straight."""
    bent: Floats = 1.1 * np.tanh((levels - 1600) / 550)
    return bent


@dataclass(frozen=True)
class Join:
    """A conditional logit over the examined moves: (a + b r) log p(net) + (c + d r) . features + e t root of the deep
    loss, with r = `scaled(level)` and t = `slowness(seconds)`.

    Among the examined moves the shares move; together they keep the probability the net gave them, so every other
    move keeps its share and all sum to one."""

    net: tuple[float, float] = (1.0, 0.0)
    plain: tuple[float, ...] = (0.0,) * FEATURES
    rated: tuple[float, ...] = (0.0,) * FEATURES
    timed: float = 0.0

    def digest(self) -> str:
        """A short hash of the weights."""
        return hashlib.sha256(json.dumps(asdict(self)).encode()).hexdigest()[:8]

    def utilities(self, shares: Floats, losses: Floats, levels: Floats, seconds: float) -> Floats:
        """(levels, moves) from shares (levels, moves), losses (moves, 2), levels (levels,), thinking time."""
        r = scaled(levels)[:, None]
        facts = features(losses)
        weight = self.net[0] + self.net[1] * r
        out: Floats = weight * np.log(np.maximum(shares, 1e-6)) + facts @ np.array(self.plain)
        out += r * (facts @ np.array(self.rated)) + self.timed * slowness(seconds) * facts[:, ROOT_DEEP]
        return out

    def apply(
        self,
        chances: Chances,
        losses: Mapping[str, tuple[float, float]],
        levels: tuple[int, ...],
        seconds: float = 600.0,
    ) -> Chances:
        """See the class; moves of `losses` that are not in `chances` are ignored; seconds a side over 40 moves."""
        examined = [move for move in chances if move in losses]
        if len(examined) < 2:
            return chances
        shares = np.array([chances[move] for move in examined]).T
        given = np.maximum(np.array([losses[move] for move in examined], float), 0.0)
        raised = self.utilities(shares, given, np.clip(np.array(levels, float), 600, 2600), seconds)
        raised = np.exp(raised - raised.max(axis=1, keepdims=True))
        raised *= shares.sum(axis=1, keepdims=True) / raised.sum(axis=1, keepdims=True)
        out = np.round(raised, 6)
        rows, top = np.arange(len(out)), out.argmax(axis=1)
        out[rows, top] = np.round(out[rows, top] + shares.sum(axis=1) - out.sum(axis=1), 6)
        joined = dict(zip(examined, (tuple(column) for column in out.T.tolist()), strict=True))
        return {move: joined.get(move, share) for move, share in chances.items()}


JOIN = Join(
    net=(0.963, -0.003),
    plain=(-0.163, -0.106, -0.111, -0.657, 0.066),
    rated=(-0.138, -0.279, -0.172, -0.368, -0.015),
    timed=-0.762,
)
"""Fitted by `fit_join` on 12,225 positions (plies 6-30, of games the net never saw, of all thinking times), Stockfish
15.1 at 2,000 nodes, and at 20,000 where the loss was near the threshold of a slip."""
