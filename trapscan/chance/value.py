"""What a score is worth between two humans of one level: E(cp, level) = 1/(1+exp(-k(level) cp)).

k was fitted by `fit_expected` on 10,362 positions (plies 16-40, one a game, ratings within 100, Stockfish 15.1 at
10,000 nodes): 0.00137 at 847, 0.00159 at 1018, 0.00198 at 1226, 0.00225 at 1416, 0.00243 at 1591, 0.00264 at 1787,
0.00316 at 1976, 0.00292 at 2310, with standard errors from 0.00012 to 0.00041. A straight line that ends at 2150 meets
every one of them within 0.8 standard errors.
"""

from __future__ import annotations

from trapscan.score import Score, expected_from_cp

K_MIDDLE, K_SLOPE = 0.00230, 0.00070
"""k at 1500 and its rise for 500 Elo; standard errors 0.00009 each."""

LOWEST, HIGHEST = 600.0, 2150.0
"""Where the line ends; outside, k stays: there is no material below, and no rise was seen above."""


def k_at(level: float) -> float:
    """Logistic slope per centipawn at a level."""
    return K_MIDDLE + K_SLOPE * (min(max(level, LOWEST), HIGHEST) - 1500) / 500


def expected(score: Score, level: float) -> float:
    """Expected score, 0 to 1, of the score's own side between two players of this level; a mate is 1 or 0."""
    return expected_from_cp(score, k_at(level))
