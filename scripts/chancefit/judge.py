"""Samples measured by scripts/measure_losses, and how well chances fit them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from chancefit.logit import conditional_logit
from trapscan.chance.joined import Join, features

PRIOR = 0.004
"""A move is examined from this share on."""


@dataclass(frozen=True)
class Sample:
    """One position of a game: examined moves with the net's share at the mover's rating and (shallow, deep) losses.
    `share` is the net's for the move played, which is examined only if it passed the candidate filter as any other."""

    epd: str
    ply: int
    own: int
    source: str
    played: str
    share: float
    moves: tuple[str, ...]
    shares: np.ndarray
    losses: np.ndarray

    def chances(self, join: Join) -> np.ndarray:
        """Joined chances of the examined moves; together what the net gives them."""
        raised = join.utilities(self.shares[None], self.losses, np.array([min(max(self.own, 600), 2600)], float))[0]
        raised = np.exp(raised - raised.max())
        result: np.ndarray = raised / raised.sum() * self.shares.sum()
        return result


def read_samples(path: Path) -> list[Sample]:
    """The samples of a JSON-lines file."""
    out = []
    for line in path.read_text().splitlines():
        if not line.endswith("}"):
            continue  # still being written
        row = json.loads(line)
        values = np.array(list(row["moves"].values()), float)
        share = row["moves"][row["played"]][0]
        passed = values[:, 0] >= PRIOR
        moves = tuple(move for move, kept in zip(row["moves"], passed, strict=True) if kept)
        losses = np.maximum(values[passed, 1:], 0)
        out.append(
            Sample(
                row["epd"],
                row["ply"],
                row["own"],
                row["source"],
                row["played"],
                share,
                moves,
                values[passed, 0],
                losses,
            )
        )
    return out


def nats(samples: list[Sample], join: Join) -> dict[str, float]:
    """Mean negative log-likelihood and first-choice hits."""
    lost, hits = [], []
    for sample in samples:
        chances = sample.chances(join)
        which = sample.moves.index(sample.played) if sample.played in sample.moves else -1
        lost.append(-np.log(max(chances[which] if which >= 0 else sample.share, 1e-9)))
        hits.append(int(chances.argmax()) == which)
    return {"positions": len(samples), "nats": round(float(np.mean(lost)), 4), "first": round(float(np.mean(hits)), 4)}


def engine_only(samples: list[Sample]) -> dict[str, float]:
    """A logit on the losses alone, without the net: the played move among the examined ones (the others share 2 %).
    Its weights are fitted on the first half and scored on the second."""
    half = len(samples) // 2
    tables = []
    for sample in samples:
        facts, r = features(sample.losses), (sample.own - 1600) / 500
        tables.append(np.hstack([facts, r * facts]))
    inside = [i for i in range(half) if samples[i].played in samples[i].moves]
    chosen = [samples[i].moves.index(samples[i].played) for i in inside]
    weights = conditional_logit([tables[i] for i in inside], chosen)
    lost, hits = [], []
    for sample, table in list(zip(samples, tables, strict=True))[half:]:
        u = table @ weights
        if sample.played in sample.moves:
            which = sample.moves.index(sample.played)
            lost.append(np.log(np.exp(u - u[which]).sum() / 0.98))
            hits.append(u.argmax() == which)
        else:
            lost.append(-np.log(0.02 / 20))
            hits.append(False)
    return {"positions": len(lost), "nats": round(float(np.mean(lost)), 4), "first": round(float(np.mean(hits)), 4)}
