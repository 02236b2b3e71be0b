"""How often the owner of a repertoire leaves it because the move is not remembered.

A judgement, not a measurement: no open games say who knew what. The first moves come up every week and are forgotten
once in a hundred times; with each further move of ours the memory grows weaker by half, down to every third time; the
last move that a line holds has nothing learnt behind it to lean on, and is forgotten twice as often. Past the end of
what is prepared nothing can be forgotten: there the owner plays as anybody does.
"""

from __future__ import annotations

FIRST, GROWTH, MOST, LAST = 0.01, 1.5, 0.35, 2.0


def forgets(own_moves: int, *, prepared: bool, last: bool) -> float:
    """The chance (0 to 1) that the owner, to move, does not know the repertoire's move.

    `own_moves`: how many moves of ours lead to the position; `prepared`: whether the repertoire holds a move there;
    `last`: whether none of ours follows it.
    """
    if not prepared:
        return 1.0
    return float(min(MOST, FIRST * GROWTH**own_moves * (LAST if last else 1.0)))
