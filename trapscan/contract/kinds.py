"""The kinds that records name, each by the word that scan.json has for it."""

from __future__ import annotations

from enum import StrEnum

import chess


class Side(StrEnum):
    """One of the two sides."""

    WHITE = "white"
    BLACK = "black"

    @property
    def other(self) -> Side:
        """The opponent."""
        return Side.BLACK if self is Side.WHITE else Side.WHITE

    @property
    def color(self) -> chess.Color:
        """As python-chess has it."""
        return self is Side.WHITE

    @classmethod
    def of(cls, color: chess.Color) -> Side:
        """From python-chess's colour."""
        return cls.WHITE if color else cls.BLACK


class RepertoireSide(StrEnum):
    """Whose repertoire it is."""

    WHITE = "white"
    BLACK = "black"
    BOTH = "both"


class SlipKind(StrEnum):
    """What a slip is to the owner of the repertoire: a move of the repertoire itself, one of the other side to wait
    for, one of ours to avoid."""

    UNSOUND = "unsound"
    TRICK = "trick"
    PITFALL = "pitfall"


class Gain(StrEnum):
    """What a refutation wins."""

    MATE = "mate"
    QUEEN = "queen"
    ROOK = "rook"
    PIECE = "piece"
    EXCHANGE = "exchange"
    PAWN = "pawn"
    ATTACK = "attack"


class ReplyKind(StrEnum):
    """What kind of move must be found to punish a slip. A check that captures is a check; promotions without either
    are quiet."""

    CHECK = "check"
    CAPTURE = "capture"
    QUIET = "quiet"


class Nature(StrEnum):
    """What kind of mistake a slip is. Tactic: a concrete idea wins material for good, mates, or wins by attack.
    Oversight: something is simply left to be taken. Gambit: material is given on purpose. Positional: nothing is lost
    by force. Forgone: only the other side's own mistake before it is not used."""

    TACTIC = "tactic"
    OVERSIGHT = "oversight"
    GAMBIT = "gambit"
    POSITIONAL = "positional"
    FORGONE = "forgone"


class LimitKind(StrEnum):
    """The limit that an engine is driven with."""

    NODES = "nodes"
    DEPTH = "depth"
    MOVETIME = "movetime"


class PreparedState(StrEnum):
    """Whether the file holds what has to be played: right, wrong, not at all (though it goes on there), or it ends
    before."""

    RIGHT = "right"
    WRONG = "wrong"
    NONE = "none"
    PAST = "past"


class Place(StrEnum):
    """Where in the file the author speaks: at the position, behind the slip, behind the refutation."""

    POSITION = "position"
    SLIP = "slip"
    REFUTATION = "refutation"
