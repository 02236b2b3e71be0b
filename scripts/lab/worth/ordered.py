"""Fitting the ordered model of trapscan.rank.worth: proportional odds with a ridge."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from trapscan.rank.worth import Model

RIDGE = 5.0
"""Weight of the squares of the coefficients (of features scaled to unit variance) in the loss. With a repertoire left
out, 1 to 5 do as well."""

STEPS, SMALL = 200, 1e-9

Array = npt.NDArray[np.float64]


def fit(values: Sequence[dict[str, float]], teach: Sequence[int]) -> Model:
    """The model that makes the judgements likeliest: `values` are features by name, `teach` 0, 1 or 2."""
    names = list(values[0])
    raw = np.array([[row[name] for name in names] for row in values])
    mean, spread = raw.mean(axis=0), raw.std(axis=0)
    spread[spread < SMALL] = 1.0
    scaled, wanted = (raw - mean) / spread, np.array(teach)
    at = np.zeros(len(names) + 2)
    for _ in range(STEPS):  # Newton's method; the loss is convex but for the ends of the ordering
        slope, curve = _derivatives(at, scaled, wanted)
        step = np.linalg.solve(curve + SMALL * np.eye(len(at)), slope)
        size = 1.0
        while size > SMALL and _loss(at - size * step, scaled, wanted) > _loss(at, scaled, wanted):
            size /= 2
        at = at - size * step
        if float(np.abs(size * step).max()) < 1e-8:
            break
    weights = at[: len(names)] / spread
    offset = float(weights @ mean)
    first = float(at[-2]) + offset
    return Model(
        {name: float(weight) for name, weight in zip(names, weights, strict=True)}, first, first + float(np.exp(at[-1]))
    )


def _loss(at: Array, scaled: Array, wanted: npt.NDArray[np.int64]) -> float:
    score = scaled @ at[:-2]
    some = 1 / (1 + np.exp(-(score - at[-2])))
    gladly = 1 / (1 + np.exp(-(score - at[-2] - np.exp(at[-1]))))
    share = np.where(wanted == 0, 1 - some, np.where(wanted == 1, some - gladly, gladly))
    return float(-np.log(np.maximum(share, 1e-12)).sum() + RIDGE / 2 * (at[:-2] @ at[:-2]))


def _derivatives(at: Array, scaled: Array, wanted: npt.NDArray[np.int64], width: float = 1e-4) -> tuple[Array, Array]:
    """Slope and curvature by differences: there are ten numbers to fit, and a formula would be longer than they."""
    count = len(at)
    steps = np.eye(count) * width
    slope = np.array([(_loss(at + s, scaled, wanted) - _loss(at - s, scaled, wanted)) / (2 * width) for s in steps])
    curve = np.empty((count, count))
    for i in range(count):
        for j in range(i + 1):
            mixed = (
                _loss(at + steps[i] + steps[j], scaled, wanted)
                - _loss(at + steps[i] - steps[j], scaled, wanted)
                - _loss(at - steps[i] + steps[j], scaled, wanted)
                + _loss(at - steps[i] - steps[j], scaled, wanted)
            )
            curve[i, j] = curve[j, i] = mixed / (4 * width * width)
    return slope, curve
