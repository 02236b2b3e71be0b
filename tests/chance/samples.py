"""Samples measured by scripts/run measure_losses, and how well chances fit them."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from trapscan.chance.correction import Join

PRIOR, CANDIDATES = 0.004, 14
"""A move is examined from this share on, the likeliest so many."""


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
    seconds: float = 0.0

    def chances(self, join: Join) -> np.ndarray:
        """Joined chances of the examined moves; together what the net gives them."""
        raised = join.utilities(
            self.shares[None], self.losses, np.array([min(max(self.own, 600), 2600)], float), self.seconds
        )[0]
        raised = np.exp(raised - raised.max())
        result: np.ndarray = raised / raised.sum() * self.shares.sum()
        return result


def read_samples(path: Path) -> list[Sample]:
    """The samples of a JSON-lines file; a line that is still being written is left out."""
    return [sample_of(json.loads(line)) for line in path.read_text().splitlines() if line.endswith("}")]


def sample_of(row: dict[str, Any]) -> Sample:
    """A sample from what `losses.measure` returns: the candidates, likeliest first, then the move played where it is
    none of them. Taken in because it was played, that one would make moves of its kind look likelier than they are."""
    values = np.array(list(row["moves"].values()), float)
    passed = (values[:, 0] >= PRIOR) & (np.arange(len(values)) < CANDIDATES)
    return Sample(
        row["epd"],
        row["ply"],
        row["own"],
        row["source"],
        row["played"],
        row["moves"][row["played"]][0],
        tuple(move for move, kept in zip(row["moves"], passed, strict=True) if kept),
        values[passed, 0],
        np.maximum(values[passed, 1:], 0),
        row.get("seconds", 0.0),
    )


def judged(sample: Sample, join: Join) -> tuple[float, bool]:
    """Negative log-likelihood of the move played, and whether it was the first choice."""
    chances = sample.chances(join)
    which = sample.moves.index(sample.played) if sample.played in sample.moves else -1
    return -float(np.log(max(chances[which] if which >= 0 else sample.share, 1e-9))), int(chances.argmax()) == which


def nats(samples: list[Sample], join: Join) -> dict[str, float]:
    """Mean negative log-likelihood and first-choice hits."""
    lost, hits = zip(*(judged(sample, join) for sample in samples), strict=True)
    return {"positions": len(samples), "nats": round(float(np.mean(lost)), 4), "first": round(float(np.mean(hits)), 4)}
