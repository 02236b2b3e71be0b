"""Findings: a slip, or a bait of ours that invites slips, told apart by the tag `record`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from trapscan.contract.kinds import Gain, Nature, PreparedState, ReplyKind, Side, SlipKind
from trapscan.contract.parts import (
    AuthorsWord,
    BaitDetails,
    BaitReply,
    Cp,
    Depth,
    Evidence,
    Instead,
    LetOff,
    LookAlike,
    MoveText,
    Opening,
    Prepared,
    Record,
    Refutation,
    Verified,
)


class FindingBase(Record, frozen=True, kw_only=True, tag_field="record"):
    """What every finding has.

    id: stable across runs: from kind, position and move
    victim: the side that goes wrong
    fen: the position before the slip; of a bait, before the bait
    start_fen, line: one move order that leads there (SAN), and where it starts
    move_orders: how many move orders lead there
    opening: ECO code and name, or null
    cp_best, cp_slip: scores of the best move and of the slip, the victim's view; of a bait, after it: at best play,
        and after its first slip
    gain, material, ply: what is won, its worth in pawns, plies from the slip until it is won; of a bait, by its first
        trick
    motifs, why_tempting, why_it_fails: names of the trade; one sentence each; of a bait, of its first trick
    nature: what kind of mistake it is; of a bait, its first trick
    idea: findings that share it have one punishing idea, and stand on one card
    worth: per level: would a coach of that level set it? 0 to 1
    likely_line: the refutation as it will be played (SAN, its first move first): against the likeliest replies, until
        the gain is in hand; empty where it is the refutation, or was not looked for
    must_know: per level: few punish it unprepared, and much hangs on it
    chance: per level: probability that a player makes the slip (of a bait: one of its slips)
    find: per level: probability that a player punishes the slip unprepared, by the refutation or another reply
    reach: per level: probability that the position arises, if our side follows the repertoire
    met: per level: `reach`, weighed for a pitfall by how often the owner will have forgotten the prepared move
    cost: per level: expected score of the victim's best move minus that of the slip
    toll: per level: points per 100 games, 100 x reach x chance x cost; of a bait, what it brings
    chapters: the chapters that hold it, by their place in `Scan.chapters`, at most 300; past the end of a line those of
        that line
    words: what the author of the file says about it
    depth: engine nodes at which the slip first shows
    verified: nodes it was last confirmed with, and a second engine's verdict
    """

    id: str
    victim: Side
    fen: str
    start_fen: str
    line: tuple[str, ...]
    move_orders: int
    opening: Opening | None
    cp_best: Cp
    cp_slip: Cp
    gain: Gain
    material: float = 0
    ply: int = 0
    motifs: tuple[str, ...] = ()
    why_tempting: str = ""
    why_it_fails: str = ""
    nature: Nature = Nature.TACTIC
    idea: str = ""
    worth: tuple[float, ...] = ()
    likely_line: tuple[str, ...] = ()
    must_know: tuple[bool, ...] = ()
    chance: tuple[float, ...]
    find: tuple[float, ...]
    reach: tuple[float, ...]
    met: tuple[float, ...] = ()
    cost: tuple[float, ...]
    toll: tuple[float, ...]
    chapters: tuple[int, ...] = ()
    words: tuple[AuthorsWord, ...] = ()
    depth: Depth
    verified: Verified

    @property
    def disputed(self) -> bool:
        """Whether a second engine was asked and denies it: such findings are set apart, not hidden."""
        return self.verified.second_engine is not None and not self.verified.second_engine.agrees


class SlipFinding(FindingBase, frozen=True, kw_only=True, tag="slip"):
    """A slip: of the other side (a trick to set), of ours (a pitfall to avoid), or in the repertoire itself (unsound).

    kind: what it is to the owner of the repertoire
    slip: the move
    refutation, also: the reply and the line that proves it, or null where nothing can be replied (stalemate); other
        first moves that punish as well
    reply_kind: whether the reply is a check, a capture or quiet: quiet ones are hardest to find; null without a reply
    instead: good moves for the victim
    move_order_hint: which move must come first, or empty
    poisoned: the slip takes something that seems to be free
    in_repertoire, prepared: whether the slip stands in the tree; what the tree answers, and whether that is right
    state: whether the file holds what has to be played: against a slip of the other side, or in place of our own
    mark: how the author marks the slip: "?", "!", ...; or empty
    own: the best of the file's other moves there, where it is better than the slip
    named: the move (SAN) that punishes, where the author names one: after the slip, or in a comment there; or empty
    beyond: plies past the end of the lines; 0 within them
    evidence: how often position and slip occur in the games of --games, or null without them
    look_alikes: other positions of the scan where the same move is sound
    let_off: the likeliest replies that leave it unpunished: those that are findings themselves or, of a slip that is
        seen first, those that a search of its own shows to
    forgoes: the id of the finding whose punishment this slip lets go, where that is its whole fault; or empty
    """

    kind: SlipKind
    slip: MoveText
    refutation: Refutation | None = None
    also: tuple[str, ...] = ()
    reply_kind: ReplyKind | None = None
    instead: tuple[Instead, ...] = ()
    move_order_hint: str = ""
    poisoned: bool = False
    in_repertoire: bool = False
    prepared: Prepared | None = None
    state: PreparedState = PreparedState.NONE
    mark: str = ""
    own: Instead | None = None
    named: str = ""
    beyond: int = 0
    evidence: Evidence | None = None
    look_alikes: tuple[LookAlike, ...] = ()
    let_off: tuple[LetOff, ...] = ()
    forgoes: str = ""

    @property
    def move(self) -> MoveText:
        """The move that the finding is about."""
        return self.slip

    @property
    def answer(self) -> str:
        """The first move (UCI) that punishes it, or empty."""
        return self.refutation.uci if self.refutation is not None else ""

    @property
    def owner(self) -> Side:
        """The side whose repertoire the finding speaks to."""
        return self.victim.other if self.kind is SlipKind.TRICK else self.victim

    @property
    def punishment(self) -> tuple[str, ...]:
        """The punishing line (SAN), at least its first move; empty where there is none."""
        return self.refutation.moves if self.refutation is not None else ()


class BaitFinding(FindingBase, frozen=True, kw_only=True, tag="bait"):
    """A move of ours that the repertoire does not hold and that invites slips.

    kind: always the same
    bait: the move
    replies: the slips that it invites, those that add most first
    bait_details: its balance
    """

    kind: Literal["bait"] = "bait"
    bait: MoveText
    replies: tuple[BaitReply, ...] = ()
    bait_details: BaitDetails

    @property
    def move(self) -> MoveText:
        """The move that the finding is about."""
        return self.bait

    @property
    def answer(self) -> str:
        """Nothing: what punishes stands with each of `replies`."""
        return ""

    @property
    def owner(self) -> Side:
        """The side whose repertoire the finding speaks to."""
        return self.victim.other


Finding = SlipFinding | BaitFinding
"""One trick, pitfall, unsound move or bait."""

if TYPE_CHECKING:
    Findings = Sequence[Finding]
else:  # as they are read; they may also be made one at a time (`spool`)
    Findings = tuple[Finding, ...]
