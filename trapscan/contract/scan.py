"""A whole scan, and how it is written."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final, Literal

import msgspec

from trapscan.contract.finding import BaitFinding, Finding, Findings, SlipFinding
from trapscan.contract.kinds import LimitKind, RepertoireSide
from trapscan.contract.parts import Record

SCHEMA: Final = "trapscan.scan/2"

if TYPE_CHECKING:
    Plain = object
else:  # what msgspec reads without a check
    Plain = Any
"""A value of a setting, as JSON holds it."""


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
