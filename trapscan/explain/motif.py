"""The terms of the trade for what a refutation does, and finding them along a line of moves.

Each motif is one pure function over a `Play` (the punisher moves first); its docstring is its definition. A motif
counts only where the line bears it out: what it attacks is taken, what it lures away is missed, what it mates is mated.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import chess

from trapscan.explain.play import Play

FORK = "fork"
DOUBLE_ATTACK = "double attack"
CHECK_WINS_PIECE = "check that wins a piece"
CHECK_WINS_PAWN = "check that wins a pawn"
PIN = "pin"
SKEWER = "skewer"
DISCOVERED_ATTACK = "discovered attack"
DISCOVERED_CHECK = "discovered check"
DOUBLE_CHECK = "double check"
HANGING = "hanging piece"
TRAPPED = "trapped piece"
REMOVAL = "removal of the guard"
DEFLECTION = "deflection"
DECOY = "decoy"
OVERLOAD = "overloaded piece"
INTERFERENCE = "interference"
ZWISCHENZUG = "zwischenzug"
BACK_RANK = "back-rank mate"
SMOTHERED = "smothered mate"
MATING_NET = "mating net"
WEAK_F7 = "weak f7"
WEAK_F2 = "weak f2"
PROMOTION = "promotion"
OPENED_LINE = "opened line to the king"
TEMPO = "gain of tempo"
ATTACKED = "attack that cannot be met"
LOOSE_PAWN = "loose pawn"
EN_PRISE = "put en prise"
GUARD_LEAVES = "guard that leaves"
WAY_OPENED = "line opened by the slip"
UNMET = "unmet threat"
EXCHANGES = "winning exchanges"
SHUT_OFF = "guard shut off"
SAFE_CAPTURE = "safe capture"
MISSED = "missed capture"
THREAT = "threat"


class MotifClass(enum.StrEnum):
    """What kind of mistake a motif speaks of."""

    TACTIC = "tactic"
    """A forcing idea: fork, pin, mate..."""
    OVERSIGHT = "oversight"
    """Something is left or put where it can be taken, or a plain threat is not seen."""
    POSITIONAL = "positional"
    """Nothing is lost by force."""
    FORGONE = "forgone"
    """A chance that the victim does not take."""


class Tier(enum.IntEnum):
    """How telling a motif is beside others of the same line: the lowest is told first."""

    MATE = 0
    HOW = 1
    """How the material is won."""
    PLAIN = 2
    """A plain attack, a gain of time, an exchange."""
    WHERE = 3
    """Says where rather than how."""
    CAUSE = 4
    """What the slip did to allow it."""
    THEME = 5
    """Nothing is won: what it costs."""


@dataclass(frozen=True, slots=True)
class Motif:
    """One motif in a line.

    `ply` (1-based) is the move that brings it about; `actor` the square of the piece that does it once that move is
    made; `targets` the squares it bears on then, the most important first; `paid` the ply at which the line cashes it
    in (a capture, a mate), or 0 where the line ends before.
    """

    name: str
    ply: int
    actor: chess.Square
    targets: tuple[chess.Square, ...] = ()
    paid: int = 0


Finder = Callable[[Play], Iterator[Motif]]
Teller = Callable[[Play, Motif], str]


@dataclass(frozen=True, slots=True)
class MotifKind:
    """All that there is to a motif: its name, what kind of mistake it is, how telling, how it is found along a line,
    and what is said of the move that brings it about ("forks the king and the rook on a8"), empty where there is
    nothing to say. Positional themes and chances forgone are found by
    comparing two lines (`themes`, `gain`), a threat by what was tried (`quiet`): these have neither finder nor teller
    here."""

    name: str
    sort: MotifClass
    tier: Tier
    find: Finder | None = None
    tell: Teller | None = None
