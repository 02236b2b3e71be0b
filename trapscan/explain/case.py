"""All that is known about one slip when it is put into words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import chess

from trapscan.explain.exchange import VALUES, balance
from trapscan.explain.gain import Gain, won_and_paid
from trapscan.explain.motif import Motif
from trapscan.explain.play import Play
from trapscan.explain.tried import Tried
from trapscan.explain.words import colour, listed
from trapscan.score import Score

MINORS = (chess.KNIGHT, chess.BISHOP)


@dataclass(frozen=True, slots=True)
class Case:
    """`board` stands before the slip; `play` is the refutation, `best` the victim's best line, from before the slip;
    `motifs` those of the part of `play` that is shown, the telling ones first; both scores are the victim's."""

    board: chess.Board
    slip: chess.Move
    play: Play
    best: Play
    gain: Gain
    motifs: Sequence[Motif]
    before: Score
    after: Score
    tried: Tried = field(default_factory=Tried)

    @property
    def side(self) -> chess.Color:
        """The punisher."""
        return self.play.side

    @property
    def punisher(self) -> str:
        """'White' or 'Black'."""
        return colour(self.side)

    @property
    def victim(self) -> str:
        """'White' or 'Black'."""
        return colour(not self.side)

    @property
    def first(self) -> str:
        """The punisher's reply in SAN."""
        return self.play.san(0)

    @property
    def slip_san(self) -> str:
        """The slip in SAN, without the signs of check and mate."""
        return self.board.san(self.slip).rstrip("+#")

    @property
    def best_san(self) -> str:
        """The victim's best move in SAN, empty where it is not known."""
        return self.best.san(0) if self.best.moves else ""

    def amount(self, told: chess.PieceType | None = None) -> str:
        """What is lost, in words: 'a knight for a pawn'; 'a piece', where the capture told (`told`) takes the other
        minor piece."""
        won, paid = won_and_paid(self.gain)
        if told in MINORS and won and won[0] in ("a knight", "a bishop") and won[0] != f"a {chess.piece_name(told)}":
            won[0] = "a piece"
        if len(won) > 1 and paid:
            won, paid = won[:1], paid if len(paid) == 1 else []  # who wants the whole bill plays the line
        return listed(won) + (f" for {listed(paid)}" if won and paid else "")

    def wins(self, kind: chess.PieceType) -> bool:
        """Whether a man of this type is among what is lost (knights and bishops count as one)."""
        if kind in MINORS:
            return sum(self.gain.count(each) for each in MINORS) > 0
        return self.gain.count(kind) > 0

    def tops(self, kind: chess.PieceType) -> bool:
        """Whether something worth more than a man of this type is among what is lost; a knight for a bishop is not."""
        return any(
            count > 0 and VALUES[each] > VALUES[kind] and (each not in MINORS or self.wins(each))
            for each, count in self.gain.tally
        )

    def ahead(self, told: chess.PieceType | None = None) -> str:
        """What is won, as a state of the punisher's: 'is a pawn up' where the sides were level before the slip."""
        won, paid = won_and_paid(self.gain)
        amount = self.amount(told)
        if len(won) == 1 and not paid and balance(self.board, self.side) == 0 and won[0] != "the queen":
            return f"is {amount} up"
        return f"has won {amount}"


@dataclass(frozen=True, slots=True)
class Said:
    """A sentence, without its capital and full stop, the names of motifs that it tells of besides those found, and how
    many plies of the refutation a reader needs to follow it."""

    text: str
    names: tuple[str, ...] = ()
    plies: int = 1
