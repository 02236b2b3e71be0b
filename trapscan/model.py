"""The data that travels between the rooms: positions, questions to an engine, verdicts, and the scan.json contract.

Moves inside trapscan are UCI strings ("e2e4", "e7e8q", castling as the king's move "e1g1"; in Chess960 the king
takes its rook); SAN appears only in what a person reads. An EPD here is always the four fields of `chess.Board.epd()`
with a legal en passant square only: it decides the legal moves, and two move orders that reach it are one position.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import chess
import msgspec

from trapscan.score import Score
from trapscan.stopping import Until

SCHEMA = "trapscan.scan/1"

# --- asking an engine ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, order=True)
class Query:
    """One question to an engine, answered independently of every other (cleared hash): equal query, equal answer.

    `budget` is in engine nodes; an engine that cannot count nodes turns it into a calibrated depth. `moves` restricts
    the root moves (empty: all legal moves). `lines` is the number of best lines wanted (MultiPV). With `until` the
    search ends as soon as that is settled, at `budget` at the latest.
    """

    epd: str
    budget: int
    moves: tuple[str, ...] = ()
    lines: int = 1
    until: Until | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """A score from the point of view of the side to move in the query's position, and the moves that lead to it."""

    score: Score
    pv: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Evaluation:
    """The answer to a query: best line first; empty `lines` never occurs except for mate and stalemate (one line
    with an empty pv). `nodes` is what the engine says it spent; `notes` tells of anything odd (a cut line...).
    `trail`, only where the query has an `until`: after each iteration, the nodes so far and the score."""

    lines: tuple[Line, ...]
    nodes: int
    depth: int = 0
    notes: tuple[str, ...] = ()
    trail: tuple[tuple[int, Score], ...] = ()

    @property
    def best(self) -> Line:
        """The first line."""
        return self.lines[0]


class Evaluator(Protocol):
    """Something that answers queries: a live engine, the store, or a plain table in a test."""

    @property
    def multipv(self) -> bool:
        """Whether `lines` > 1 and `moves` are honoured. If not, only lines=1 and moves=() may be asked."""
        ...

    def evaluate(self, query: Query) -> Evaluation:
        """Answer; raises a subclass of trapscan.errors.EngineError when no usable answer can be had."""
        ...


# --- chances ---------------------------------------------------------------------------------------------------------

Chances = Mapping[str, tuple[float, ...]]
"""Move (UCI) -> probability per level. For every level the probabilities sum to one over the legal moves."""


class ChanceModel(Protocol):
    """How likely players of given levels are to choose each legal move, before any engine has spoken."""

    @property
    def name(self) -> str:
        """Identity for the settings of a scan: name and version or hash of the weights."""
        ...

    def predict(self, boards: list[chess.Board], levels: tuple[int, ...]) -> list[Chances]:
        """One mapping a board. Its move stack, if any, tells the last moves; its fullmove number tells the ply."""
        ...

    def join(self, chances: Chances, losses: Mapping[str, tuple[float, float]], levels: tuple[int, ...]) -> Chances:
        """Chances once an engine has looked: `losses` maps some of the moves to (loss at the shallow screen, loss at
        the deepest search), in objective expected score, never negative. Moves without losses keep their share."""
        ...


# --- positions -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Position:
    """A merged position of the repertoire.

    `moves` is one shortest move order (UCI) from `start_fen`; `move_orders` counts all of them. `prepared` are the
    moves the repertoire holds here (UCI, first the main one). `opening` is (ECO, name) of the last named position on
    the way, or None. `beyond` is 0 in the tree, else how many plies past its end.
    """

    epd: str
    start_fen: str
    moves: tuple[str, ...]
    move_orders: int
    prepared: tuple[str, ...] = ()
    opening: tuple[str, str] | None = None
    beyond: int = 0

    def board(self) -> chess.Board:
        """The position as a board with its move stack."""
        board = chess.Board(self.start_fen, chess960=False)
        for uci in self.moves:
            board.push_uci(uci)
        return board


@dataclass(frozen=True, slots=True)
class Slip:
    """A verified slip. `score` is the victim's after the move; `refutation` the punisher's line (UCI, reply first),
    `also` other first moves that punish as well; `exposed` the smallest budget at which the slip showed, `nodes` the
    budget at which it was last confirmed."""

    move: str
    score: Score
    refutation: tuple[str, ...]
    also: tuple[str, ...]
    exposed: int
    nodes: int


@dataclass(frozen=True, slots=True)
class Examined:
    """What a search found out about one position: the victim's best line, the moves that are slips, and every other
    examined move with its score (victim's view) and the budget behind it. `chances` are joined with the losses."""

    epd: str
    best: Line
    slips: tuple[Slip, ...]
    others: tuple[tuple[str, Score, int], ...]
    chances: Chances
    candidates: int
    searches: int
    nodes: int
    problems: tuple[str, ...] = ()


# --- the contract: scan.json -----------------------------------------------------------------------------------------

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


class BaitReply(Record, frozen=True, kw_only=True):
    """A slip that a bait invites: the reply, its refutation, its chance per level, victim's scores (at best play after
    the bait, and after the slip)."""

    slip: MoveText
    refutation: Refutation
    chance: tuple[float, ...]
    cp_best: Cp
    cp_slip: Cp
    gain: str
    motifs: tuple[str, ...] = ()
    why_tempting: str = ""
    why_it_fails: str = ""


class BaitDetails(Record, frozen=True, kw_only=True):
    """The balance of a bait, per level, in expected score of the side that plays it.

    `price`: E of our best move minus E of the bait, both at best play; `repertoire_price`: the same of the repertoire's
    move. `slips_gain`: what the slips under `replies` add, `weak_gain` what all weaker replies add (the slips among
    them). `net`, `net_low`, `net_high`: V(bait) minus V of the move it is measured against (`against`: the repertoire's
    move, or the engine's first choice where that costs too much, or its second where there is none), and its range.
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


class Finding(Record, frozen=True, kw_only=True):
    """One trick, pitfall, bait or unsound move; the fields are explained in README.md under scan.json."""

    id: str
    kind: str
    victim: str
    fen: str
    start_fen: str
    line: tuple[str, ...]
    move_orders: int
    opening: Opening | None
    slip: MoveText | None = None
    bait: MoveText | None = None
    replies: tuple[BaitReply, ...] = ()
    refutation: Refutation | None = None
    also: tuple[str, ...] = ()
    instead: tuple[Instead, ...] = ()
    cp_best: Cp
    cp_slip: Cp
    gain: str
    material: float = 0
    ply: int = 0
    motifs: tuple[str, ...] = ()
    why_tempting: str = ""
    why_it_fails: str = ""
    move_order_hint: str = ""
    poisoned: bool = False
    must_know: tuple[bool, ...] = ()
    in_repertoire: bool = False
    prepared: Prepared | None = None
    beyond: int = 0
    chance: tuple[float, ...]
    find: tuple[float, ...]
    reach: tuple[float, ...]
    cost: tuple[float, ...]
    toll: tuple[float, ...]
    evidence: Evidence | None = None
    look_alikes: tuple[LookAlike, ...] = ()
    bait_details: BaitDetails | None = None
    depth: Depth
    verified: Verified

    @property
    def disputed(self) -> bool:
        """Whether a second engine was asked and denies it: such findings are set apart, not hidden."""
        return self.verified.second_engine is not None and not self.verified.second_engine.agrees


class Tool(Record, frozen=True, kw_only=True):
    """Which trapscan made the report."""

    version: str


class EngineUsed(Record, frozen=True, kw_only=True):
    """The engine by name, the options set, and the limit it was driven with ("nodes", "depth", "movetime")."""

    name: str
    options: dict[str, str | int | bool]
    limit_kind: str


class InputFile(Record, frozen=True, kw_only=True):
    """A repertoire file: its name without folders, and the SHA-256 of its bytes."""

    name: str
    sha256: str


class Input(Record, frozen=True, kw_only=True):
    """What was read: files, games, positions after merging, and how many positions merged into others."""

    files: tuple[InputFile, ...]
    games: int
    positions: int
    merged: int


class MoveTree(Record, frozen=True, kw_only=True):
    """The merged lines from one start position as PGN movetext: SAN without numbers, variations in round brackets. A
    position goes on where its shortest move order arrives; any other move that leads to it ends its variation."""

    start_fen: str
    moves: str


class GamesUsed(Record, frozen=True, kw_only=True):
    """The game files behind `evidence`: how many games they hold, and whose moves alone count (empty: everybody's)."""

    files: tuple[InputFile, ...]
    games: int
    player: str = ""


class Counters(Record, frozen=True, kw_only=True):
    """What the scan's answers cost, counted over the answers used, wherever they came from: a count that depended on
    what earlier runs left in the store would make equal scans differ. `store_hits` are answers used more than once."""

    positions: int
    candidates: int
    searches: int
    engine_nodes: int
    store_hits: int


class Problem(Record, frozen=True, kw_only=True):
    """Something that was passed over: where, and what."""

    file: str
    game: int
    ply: int
    text: str


class Scan(Record, frozen=True, kw_only=True):
    """A whole report: scan.json."""

    schema: str
    tool: Tool
    engine: EngineUsed
    second_engine: EngineUsed | None = None
    settings: dict[str, Any]
    evidence: GamesUsed | None = None
    side: str
    level: int
    levels: tuple[int, ...]
    title: str
    input: Input
    counters: Counters
    problems: tuple[Problem, ...]
    findings: tuple[Finding, ...]
    tree: tuple[MoveTree, ...] = ()


KINDS = ("unsound", "trick", "pitfall", "bait")
GAINS = ("mate", "queen", "rook", "piece", "exchange", "pawn", "attack")


def encode_scan(scan: Scan) -> bytes:
    """scan.json's bytes: UTF-8, keys sorted, two spaces, one newline at the end; equal scans give equal bytes."""
    return msgspec.json.format(msgspec.json.encode(scan, order="sorted"), indent=2) + b"\n"
