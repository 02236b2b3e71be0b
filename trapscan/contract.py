"""The contract: scan.json as frozen records. Everything a report shows is in here, and is rendered from here.

Moves are SAN beside UCI; scores are the victim's, centipawns or {"mate": n}; lists "per level" follow `Scan.levels`.
A finding is one of two records, told apart by the tag `record`: a slip, or a bait of ours that invites slips.

Lines "names: text" in a docstring explain fields; the schema carries them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, Literal

import chess
import msgspec

SCHEMA: Final = "trapscan.scan/2"


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


if TYPE_CHECKING:
    Plain = object
else:  # what msgspec reads without a check
    Plain = Any
"""A value of a setting, as JSON holds it."""

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


class Tool(Record, frozen=True, kw_only=True):
    """Which trapscan made the report."""

    version: str


class EngineUsed(Record, frozen=True, kw_only=True):
    """The engine by name, the options set, and the limit it was driven with; `embedded`: it is the small one that comes
    with trapscan."""

    name: str
    options: dict[str, str | int | bool]
    limit_kind: LimitKind
    embedded: bool = False


class InputFile(Record, frozen=True, kw_only=True):
    """A repertoire file: its name without folders, and the SHA-256 of its bytes. `text`: the SHA-256 of what was read,
    where that is not the same: unpacked, from another encoding, without what an earlier scan had put in; or empty."""

    name: str
    sha256: str
    text: str = ""


class Input(Record, frozen=True, kw_only=True):
    """What was read: files, games, positions after merging, and how many positions merged into others."""

    files: tuple[InputFile, ...]
    games: int
    positions: int
    merged: int


class Chapter(Record, frozen=True, kw_only=True):
    """A game of a file: its title, its file's place in `Input.files`, its number there (from 1), whose side it takes,
    how many positions it holds."""

    title: str
    file: int
    game: int
    side: RepertoireSide
    positions: int


class MoveTree(Record, frozen=True, kw_only=True):
    """The merged lines from one start position as PGN movetext: SAN without numbers, variations in round brackets. A
    position goes on where its shortest move order arrives; any other move that leads to it ends its variation."""

    start_fen: str
    moves: str


class GamesUsed(Record, frozen=True, kw_only=True):
    """The game files behind `evidence`: how many games they hold, whose moves alone count (empty: everybody's), and how
    many of the repertoire's positions they met."""

    files: tuple[InputFile, ...]
    games: int
    player: str = ""
    met: int = 0


class Counters(Record, frozen=True, kw_only=True):
    """What the scan's answers cost, counted over the answers used, wherever they came from: a count that depended on
    what earlier runs left in the store would make equal scans differ. `store_hits` are answers used more than once."""

    positions: int
    candidates: int
    searches: int
    engine_nodes: int
    store_hits: int


class Partial(Record, frozen=True, kw_only=True):
    """What a report knows of a scan that is not finished, because it goes on or was ended by time or by hand.

    positions, of: positions examined, of all that are known so far; past the ends of lines there may be more
    stake: the share of the stake that lies in those examined, 0 to 1
    verified: whether all that stands first was looked at long
    left_out: findings that are known, but not in this report: one that is written while the scan goes on holds what
        stands first
    """

    positions: int
    of: int
    stake: float
    verified: bool
    left_out: int = 0


class Problem(Record, frozen=True, kw_only=True):
    """Something that was passed over: where, and what."""

    file: str
    game: int
    ply: int
    text: str


class Scan(Record, frozen=True, kw_only=True):
    """A whole report: scan.json."""

    schema: Literal["trapscan.scan/2"]
    tool: Tool
    engine: EngineUsed
    second_engine: EngineUsed | None = None
    settings: dict[str, Plain]
    evidence: GamesUsed | None = None
    side: RepertoireSide
    level: int
    levels: tuple[int, ...]
    title: str
    input: Input
    counters: Counters
    partial: Partial | None = None
    problems: tuple[Problem, ...]
    findings: Findings
    chapters: tuple[Chapter, ...] = ()
    tree: tuple[MoveTree, ...] = ()

    @property
    def slips(self) -> tuple[SlipFinding, ...]:
        """The findings that are slips, in the order of the report."""
        return tuple(finding for finding in self.findings if isinstance(finding, SlipFinding))

    @property
    def baits(self) -> tuple[BaitFinding, ...]:
        """The findings that are baits, in the order of the report."""
        return tuple(finding for finding in self.findings if isinstance(finding, BaitFinding))


def encode_scan(scan: Scan) -> bytes:
    """scan.json's bytes: UTF-8, keys sorted, two spaces, one newline at the end; equal scans give equal bytes."""
    return b"".join(encode_in_pieces(scan))


def encode_in_pieces(scan: Scan) -> Iterator[bytes]:
    """The same a finding at a time: a whole opening book's would be some 300 MB at once, twice over."""
    head, key, tail = _formatted(msgspec.structs.replace(scan, findings=())).partition(b'\n  "findings": []')
    yield head + key[:-1]
    for number, finding in enumerate(scan.findings):
        # no string of JSON holds a raw newline, so that every one is the layout's
        yield (b",\n    " if number else b"\n    ") + _formatted(finding).replace(b"\n", b"\n    ")
    yield (b"\n  ]" if scan.findings else b"]") + tail + b"\n"


def _formatted(value: Scan | Finding) -> bytes:
    return msgspec.json.format(msgspec.json.encode(value, order="sorted"), indent=2)
