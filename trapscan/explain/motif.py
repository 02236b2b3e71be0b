"""The terms of the trade for what a refutation does, and finding them along a line of moves.

Each motif is one pure function over a `Play` (the punisher moves first); its docstring is its definition. A motif
counts only where the line bears it out: what it attacks is taken, what it lures away is missed, what it mates is mated.
"""

from __future__ import annotations

from dataclasses import dataclass

import chess

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
ATTACK_F7 = "attack on f7"
ATTACK_F2 = "attack on f2"
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

NAMES = (
    FORK,
    DOUBLE_ATTACK,
    CHECK_WINS_PIECE,
    CHECK_WINS_PAWN,
    PIN,
    SKEWER,
    DISCOVERED_ATTACK,
    DISCOVERED_CHECK,
    DOUBLE_CHECK,
    HANGING,
    TRAPPED,
    REMOVAL,
    DEFLECTION,
    DECOY,
    OVERLOAD,
    INTERFERENCE,
    ZWISCHENZUG,
    BACK_RANK,
    SMOTHERED,
    MATING_NET,
    ATTACK_F7,
    ATTACK_F2,
    PROMOTION,
    OPENED_LINE,
    TEMPO,
    ATTACKED,
    LOOSE_PAWN,
    EN_PRISE,
    GUARD_LEAVES,
    WAY_OPENED,
    UNMET,
    EXCHANGES,
    SHUT_OFF,
    SAFE_CAPTURE,
    MISSED,
)


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
