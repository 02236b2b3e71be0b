"""A conditional logit by damped Newton steps."""

from __future__ import annotations

import numpy as np


def conditional_logit(
    tables: list[np.ndarray],
    chosen: list[int],
    start: np.ndarray | None = None,
    ridge: float | np.ndarray = 1.0,
    steps: int = 60,
) -> np.ndarray:
    """Weights that maximise the likelihood of the rows `chosen` of the `tables` (options, features), less a penalty
    of ridge/2 times the squared distance from `start` (zeros where left out)."""
    origin = np.zeros(tables[0].shape[1]) if start is None else start
    weights = origin.copy()
    for _ in range(steps):
        slope, curve = -ridge * (weights - origin), -ridge * np.eye(len(weights))
        for table, which in zip(tables, chosen, strict=True):
            u = table @ weights
            p = np.exp(u - u.max())
            p /= p.sum()
            mean = p @ table
            slope += table[which] - mean
            curve -= (table * p[:, None]).T @ table - np.outer(mean, mean)
        step = np.linalg.solve(curve, slope)
        weights = weights - step * min(1.0, 0.5 / (np.abs(step).max() + 1e-12))
        if np.abs(step).max() < 1e-5:
            break
    return weights
