"""What a score is worth between two humans of one level: E(cp, level) = 1/(1+exp(-k(level) cp))."""

from __future__ import annotations

import numpy as np

from trapscan.score import Score, expected_from_cp

K_TABLE = ((800, 0.0011), (1100, 0.0016), (1450, 0.0024), (1750, 0.0030), (2050, 0.0031), (2300, 0.0031))
"""Level (Elo) and k per centipawn; between them k runs straight, outside it stays."""


def k_at(level: float) -> float:
    """Logistic slope per centipawn at a level."""
    levels, values = zip(*K_TABLE, strict=True)
    return float(np.interp(level, levels, values))


def expected(score: Score, level: float) -> float:
    """Expected score, 0 to 1, of the score's own side between two players of this level; a mate is 1 or 0."""
    return expected_from_cp(score, k_at(level))
