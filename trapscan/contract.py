"""The contract: scan.json as frozen records. Everything a report shows is in here, and is rendered from here.

Moves are SAN beside UCI; scores are the victim's, centipawns or {"mate": n}; lists "per level" follow `Scan.levels`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import msgspec

SCHEMA = "trapscan.scan/1"

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
    """The engine by name, the options set, and the limit it was driven with ("nodes", "depth", "movetime"); `embedded`:
    it is the small one that comes with trapscan."""

    name: str
    options: dict[str, str | int | bool]
    limit_kind: str
    embedded: bool = False


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
