"""What kind of mistake a slip is."""

from __future__ import annotations

from dataclasses import replace

from trapscan.contract import Nature
from trapscan.model import Signs
from trapscan.score import Score, loss

PAWN, PIECE = 1, 2
"""Pawns from which something is won, and from which it is more than a pawn."""

FREE = 0.17
"""Who loses a pawn for nothing loses so much (objective expected score); less, and there is something for it."""

REFUTED, SERIOUS, DECISIVE, BEHIND = 0.15, 0.2, 0.3, -200
"""A gambit with a name loses less than the second, to a tactic less than the first: more, and it is refuted. So much as
the third is not lost by a worse position alone, nor is the second where the victim is two pawns behind afterwards."""

PAID = 2.0
"""A gambit's loss, in pawns by the engine's score, is so much less than what it gives up."""

MOSTLY = 0.5
"""What the first reply takes for good, or the slip gave, is the whole story if it is this share of all that is won."""

BESIDE = 1.2
"""A chance is merely let go where the score falls by no more than its worth and so many pawns; or it was a whole piece,
and nothing is lost besides."""

SACRIFICE, WORSE = 2, -100
"""An attack wins where the punisher gives so many pawns on the way, and the victim's score is this or worse. Who stands
better than that has lost nothing by force."""

SHARP = 0.2
"""A tactical motif makes a tactic of a slip that wins no material if the slip loses this (expected score)."""

CEILING = 1000
"""Centipawns beyond which a score says nothing more about material."""


def nature_of(
    signs: Signs, *, best: Score, slip: Score, tactical: bool, named: bool, won: bool = True, forgone: bool = False
) -> Nature:
    """The nature of a slip.

    `best` and `slip` are the victim's scores of the best move and of the slip; `tactical`: the leading motif of the
    refutation is a tactic; `named`: the position after the slip has a name of its own among the openings; `won`:
    whether something is said to be won: where it is not, a pawn in the line is none, and what a tactic is said to win
    counts wherever the line ends; `forgone`: it is said that a chance was not taken.
    """
    if won and tactical:
        signs = replace(signs, taken=max(PAWN, signs.taken))
    elif not won and 0 < signs.taken < PIECE:
        signs = replace(signs, taken=0)
    if slip.mate_lost:
        return Nature.TACTIC
    lost = loss(best, slip)
    drop = (min(CEILING, best.plain) - max(-CEILING, slip.plain)) / 100
    known = named and lost < (REFUTED if tactical else SERIOUS)
    if _let_go(signs, drop, forgone):
        return Nature.GAMBIT if known else Nature.FORGONE
    if known and _offered(signs, drop):
        return Nature.GAMBIT if max(signs.at_once, signs.taken) >= PAWN else Nature.POSITIONAL
    if signs.taken >= PAWN:
        gave = 0 if tactical else -signs.slip_takes
        if signs.at_once >= PAWN and max(signs.first, signs.was_there, gave) >= MOSTLY * signs.taken:
            return Nature.GAMBIT if signs.taken < PIECE and lost < FREE else Nature.OVERSIGHT
        if tactical or signs.taken >= PIECE or signs.taken + signs.could >= PAWN or lost >= SERIOUS:
            return Nature.TACTIC
        return Nature.POSITIONAL
    if lost >= FREE and _left(signs):
        return Nature.OVERSIGHT
    if signs.given >= SACRIFICE and slip.plain <= WORSE:
        return Nature.TACTIC
    if 0 < signs.slip_takes <= signs.at_once:  # an even trade
        return Nature.POSITIONAL
    much = slip.plain <= WORSE and (lost >= DECISIVE or (lost >= SERIOUS and slip.plain <= BEHIND))
    forcing = signs.check or signs.threat or signs.capture
    return Nature.TACTIC if (tactical and lost >= SHARP) or (forcing and much) else Nature.POSITIONAL


def _let_go(signs: Signs, drop: float, said: bool) -> bool:
    """Whether the fault is only that the victim does not take what is there to be taken, or does not mate; `said`: the
    explanation says so."""
    if signs.could_mate:
        return signs.taken < PIECE
    if signs.at_once >= PIECE or (signs.given >= SACRIFICE and drop > signs.could + BESIDE):
        return False
    return said or (signs.could >= PAWN > signs.taken and (signs.could > PIECE or drop <= signs.could + BESIDE))


def _left(signs: Signs) -> bool:
    """Whether the first reply takes what was to be had before the slip, or what the slip put there, or keeps it; and
    no trade: more than a pawn over what the slip takes."""
    if signs.slip_takes > 0 and signs.at_once - signs.slip_takes < PIECE:
        return False
    return signs.at_once >= PAWN and (signs.was_there >= PAWN or signs.slip_takes < 0 or signs.first >= PAWN)


def _offered(signs: Signs, drop: float) -> bool:
    """Whether no more than a pawn is given, or far more than the score says is lost."""
    return signs.taken - drop >= PAID or (signs.taken < PIECE and signs.at_once <= PAWN)
