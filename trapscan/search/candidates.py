"""Which moves a human might play, and so are worth an engine's time."""

from __future__ import annotations

from collections.abc import Collection

from trapscan.model import Chances
from trapscan.settings import Settings


def choose_candidates(chances: Chances, prepared: Collection[str], settings: Settings) -> tuple[str, ...]:
    """Moves (UCI) to examine: those whose chance reaches `min_prior` at some level, the likeliest first, at most
    `max_candidates`; then the moves of the repertoire that are not among them. Ties in chance: by move text."""
    peak = {move: max(by_level) for move, by_level in chances.items()}
    likely = sorted((move for move, p in peak.items() if p >= settings.min_prior), key=lambda move: (-peak[move], move))
    chosen = likely[: settings.max_candidates]
    return (*chosen, *(move for move in prepared if move in chances and move not in chosen))
