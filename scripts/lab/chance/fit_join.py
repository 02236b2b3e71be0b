"""Fit the join of net and engine on positions measured by scripts/run measure_losses; prints the weights for
trapscan/chance/correction.py.

    scripts/run fit_join measured-*.jsonl --anew
    scripts/run check_chance calibration measured-*.jsonl --anew --cross      what such a fit says of rows it never saw
"""

import argparse
import json
from pathlib import Path

import numpy as np

from scripts.lab.chance.logit import conditional_logit
from scripts.lab.chance.losses import samples_of
from tests.chance.samples import Sample, nats
from trapscan.chance.correction import FEATURES, ROOT_DEEP, Join, features, scaled
from trapscan.chance.encode import slowness

SLIP = 0.10
RIDGE, RIDGE_RATED = 3.0, 60.0


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("fit", nargs="+", type=Path)
    ask.add_argument("--test", nargs="*", type=Path, default=[])
    ask.add_argument("--ridge", type=float, default=RIDGE)
    ask.add_argument("--ridge-rated", type=float, default=RIDGE_RATED, help="for what changes with level")
    ask.add_argument("--anew", action="store_true", help="what the shipped net says, whichever net chose the moves")
    ask.add_argument("--cross", type=float, nargs="+", help="only judge these --ridge-rated by cross-validation")
    args = ask.parse_args()
    samples = samples_of(args.fit, anew=args.anew)
    for ridge_rated in args.cross or ():
        cross(samples, args.ridge, ridge_rated)
    if args.cross:
        return
    join = fit(samples, args.ridge, args.ridge_rated)
    print(f"Join(net={join.net}, plain={join.plain}, rated={join.rated}, timed={join.timed})")
    for name, tests in (("fitted", samples), ("others", samples_of(args.test, anew=args.anew))):
        if tests:
            print(name, json.dumps({"net": nats(tests, Join()), "joined": nats(tests, join)}))


def parted(
    samples: list[Sample], ridge: float = RIDGE, ridge_rated: float = RIDGE_RATED, parts: int = 5
) -> list[tuple[list[Sample], Join]]:
    """Each part of the samples with a join fitted on all others. Games of one player stay together as far as a rating
    tells."""
    split = [[sample for sample in samples if sample.own % parts == k] for k in range(parts)]
    rest = [[sample for sample in samples if sample.own % parts != k] for k in range(parts)]
    return [(part, fit(others, ridge, ridge_rated)) for part, others in zip(split, rest, strict=True)]


def cross(samples: list[Sample], ridge: float, ridge_rated: float) -> None:
    """Fits on four fifths, foretells the last: nats a move, and per slip by level."""
    told, lost, level = [], [], []
    for held, join in parted(samples, ridge, ridge_rated):
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
    samples = [sample for sample in samples if sample.played in sample.moves]
    tables = [design(sample) for sample in samples]
    chosen = [list(sample.moves).index(sample.played) for sample in samples]
    start = np.zeros(3 + 2 * FEATURES)
    start[0] = 1
    strength = np.full(len(start), ridge)
    strength[[1, *range(2 + FEATURES, 2 + 2 * FEATURES)]] = ridge_rated
    weights = conditional_logit(tables, chosen, start, strength)
    w = [round(float(x), 3) for x in weights]
    return Join((w[0], w[1]), tuple(w[2 : 2 + FEATURES]), tuple(w[2 + FEATURES : -1]), w[-1])


def design(sample: Sample) -> np.ndarray:
    """(moves, weights) such that its product with the weights is Join.utilities."""
    r = float(scaled(np.array(min(max(sample.own, 600), 2600), float)))
    logs = np.log(np.maximum(sample.shares, 1e-6))[:, None]
    facts = features(sample.losses)
    return np.hstack([logs, r * logs, facts, r * facts, slowness(sample.seconds) * facts[:, [ROOT_DEEP]]])


if __name__ == "__main__":
    main()
