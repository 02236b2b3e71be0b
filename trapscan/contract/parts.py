"""What findings are made of: moves, lines, opinions, the terms of a bait."""

from __future__ import annotations

import msgspec

from trapscan.contract.kinds import Gain, Place

Cp = int | dict[str, int]
"""Centipawns, or {"mate": n} with n in moves; always the victim's view in a finding."""


class Record(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Base of everything in scan.json."""


class MoveText(Record, frozen=True, kw_only=True):
    """A move in both notations."""

    san: str
    uci: str


class Refutation(Record, frozen=True, kw_only=True):
    """The punisher's reply and the line that proves it (SAN, the reply first)."""

    san: str
    uci: str
    line: tuple[str, ...]

    @property
    def moves(self) -> tuple[str, ...]:
        """The line, at least the reply."""
        return self.line or (self.san,)


class Instead(Record, frozen=True, kw_only=True):
    """A good move for the victim; `answers` says in a few words what it meets, or is empty."""

    san: str
    uci: str
    cp: Cp
    answers: str = ""


class Opening(Record, frozen=True, kw_only=True):
    """ECO code and name."""

    eco: str
    name: str


class Evidence(Record, frozen=True, kw_only=True):
    """How often the position and the move occur in the games given with --games."""

    games: int
    played: int


class LookAlike(Record, frozen=True, kw_only=True):
    """Another position of the scan where the same move is sound. `squares` are those whose occupants differ."""

    fen: str
    line: tuple[str, ...]
    cp_best: Cp
    cp_move: Cp
    squares: tuple[str, ...]
    reason: str = ""


class Depth(Record, frozen=True, kw_only=True):
    """The search effort (nodes) at which the slip first shows."""

    exposed: int


class SecondOpinion(Record, frozen=True, kw_only=True):
    """What a second engine says: its two scores (victim's view), its name, and whether it agrees that the move is a
    slip. `reply` is how it would punish (SAN, or empty), `nodes` the budget behind its score of the slip."""

    engine: str
    cp_best: Cp
    cp_slip: Cp
    agrees: bool
    reply: str = ""
    nodes: int = 0


class Verified(Record, frozen=True, kw_only=True):
    """The budget (nodes) at which the slip was last confirmed, and the second engine's verdict, if one was asked."""

    nodes: int
    second_engine: SecondOpinion | None = None


class Prepared(Record, frozen=True, kw_only=True):
    """For a slip that stands in the repertoire itself: our prepared answers (SAN) and whether the first is right."""

    answers: tuple[str, ...]
    right: bool


class AuthorsWord(Record, frozen=True, kw_only=True):
    """A comment of the file's author: in which chapter (its place in `Scan.chapters`), where, and what it says."""

    chapter: int
    place: Place
    text: str


class LetOff(Record, frozen=True, kw_only=True):
    """A reply (SAN) that lets a slip off, though it was there to be punished: its chance per level, and how the game
    goes on (SAN)."""

    san: str
    chance: tuple[float, ...]
    line: tuple[str, ...] = ()


class BaitReply(Record, frozen=True, kw_only=True):
    """A slip that a bait invites: the reply, its refutation, its chance per level, victim's scores (at best play after
    the bait, and after the slip)."""

    slip: MoveText
    refutation: Refutation
    chance: tuple[float, ...]
    cp_best: Cp
    cp_slip: Cp
    gain: Gain
    motifs: tuple[str, ...] = ()
    why_tempting: str = ""
    why_it_fails: str = ""


class BaitDetails(Record, frozen=True, kw_only=True):
    """The balance of a bait, per level, in expected score of the side that plays it.

    `price`: E of our best move minus E of the bait, both at best play; `repertoire_price`: the same of the repertoire's
    move. `slips_gain`: what the slips under `replies` add, `weak_gain` what all weaker replies add (the slips among
    them). `net`, `net_low`, `net_high`: V(bait) minus V of the move it is measured against, and its range. `against`:
    the repertoire's move; the engine's first choice where that costs too much; None, for best play, where the
    repertoire holds no move.
    `firm`: net_low > 0 at the chosen level. `pays_below`: the lowest level from which it no longer pays, or None.
    `otherwise`: best reply and our answer.
    """

    repertoire_move: MoveText | None
    repertoire_price: tuple[float, ...] = ()
    against: MoveText | None = None
    price: tuple[float, ...]
    slips_gain: tuple[float, ...]
    weak_gain: tuple[float, ...] = ()
    net: tuple[float, ...]
    net_low: tuple[float, ...]
    net_high: tuple[float, ...]
    firm: bool
    pays_below: int | None
    otherwise: tuple[str, ...]
