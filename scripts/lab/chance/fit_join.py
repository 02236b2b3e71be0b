"""Fit the join of net and engine on positions measured by scripts/run measure_losses; prints the weights for joined.py.

scripts/run fit_join fit.jsonl fit-rest.jsonl fit-second.jsonl --test aside.jsonl
"""

import argparse
import json
from pathlib import Path

import numpy as np

from scripts.lab.chance.logit import conditional_logit
from tests.chance.samples import Sample, nats, read_samples
from trapscan.chance.correction import FEATURES, Join, features, scaled

SLIP = 0.10


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("fit", nargs="+", type=Path)
    ask.add_argument("--test", type=Path)
    ask.add_argument("--ridge", type=float, default=3.0)
    ask.add_argument("--ridge-rated", type=float, default=20.0, help="for what changes with level")
    ask.add_argument("--cross", type=float, nargs="+", help="only judge these --ridge-rated by cross-validation")
    args = ask.parse_args()
    samples = [sample for path in args.fit for sample in read_samples(path)]
    for ridge_rated in args.cross or ():
        cross(samples, args.ridge, ridge_rated)
    if args.cross:
        return
    join = fit([s for s in samples if s.played in s.moves], args.ridge, args.ridge_rated)
    print(f"Join(net={join.net}, plain={join.plain}, rated={join.rated})")
    for path in [*args.fit, args.test]:
        if path:
            tests = read_samples(path)
            print(path.name, json.dumps({"net": nats(tests, Join()), "joined": nats(tests, join)}))


def cross(samples: list[Sample], ridge: float, ridge_rated: float, parts: int = 5) -> None:
    """Fits on four fifths, foretells the last: nats a move, and per slip by level. Games of one player stay together
    as far as a rating tells."""
    part = np.array([sample.own % parts for sample in samples])
    told, lost, level = [], [], []
    for k in range(parts):
        join = fit(
            [s for s, p in zip(samples, part, strict=True) if p != k and s.played in s.moves], ridge, ridge_rated
        )
        held = [s for s, p in zip(samples, part, strict=True) if p == k]
        told.append(nats(held, join)["nats"] * len(held))
        for sample in held:
            chances = sample.chances(join)
            for i in np.flatnonzero(sample.losses[:, 1] >= SLIP):
                lost.append(-np.log(chances[i] if sample.moves[i] == sample.played else 1 - chances[i]))
                level.append(sample.own)
    losses, levels = np.array(lost), np.array(level)
    bands = [losses[(levels >= low) & (levels < high)].mean() for low, high in ((0, 1300), (1300, 1800), (1800, 9999))]
    by_level = ", ".join(f"{value:.5f}" for value in bands)
    print(f"ridge {ridge_rated:g}: {sum(told) / len(samples):.4f} nats a move; a slip {losses.mean():.5f} ({by_level})")


def fit(samples: list[Sample], ridge: float, ridge_rated: float) -> Join:
    """Most likely weights, with a small penalty away from (1, 0, 0...): the net as it is."""
    tables = [design(sample) for sample in samples]
    chosen = [list(sample.moves).index(sample.played) for sample in samples]
    start = np.zeros(2 + 2 * FEATURES)
    start[0] = 1
    strength = np.full(len(start), ridge)
    strength[[1, *range(2 + FEATURES, len(start))]] = ridge_rated
    weights = conditional_logit(tables, chosen, start, strength)
    w = [round(float(x), 3) for x in weights]
    return Join((w[0], w[1]), tuple(w[2 : 2 + FEATURES]), tuple(w[2 + FEATURES :]))


def design(sample: Sample) -> np.ndarray:
    """(moves, weights) such that its product with the weights is Join.utilities."""
    r = float(scaled(np.array(min(max(sample.own, 600), 2600), float)))
    logs = np.log(np.maximum(sample.shares, 1e-6))[:, None]
    facts = features(sample.losses)
    return np.hstack([logs, r * logs, facts, r * facts])


if __name__ == "__main__":
    main()
