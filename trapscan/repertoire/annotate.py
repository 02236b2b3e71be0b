"""Findings put back into the owner's own PGN files.

A file is given back byte for byte; what is ours stands between, marked, and is taken out again before anything else
is read (trapscan.pgn.ours). Each finding stands once, where its position occurs first and goes on:

- a slip that the file does not hold: a variation in the place of the move that follows there;
- at the end of a line, or past it: a variation in the place of the line's last move, which repeats it. Put at the end
  of the line itself it would be the owner's own line that goes on, by a mistake;
- a slip that the file holds: a comment behind it where the file answers it, the refutation in the place of another
  answer, and a better move in the place of one of our own.
"""

from __future__ import annotations

from bisect import bisect
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial

import chess

from trapscan import graph
from trapscan.contract import BaitFinding, Finding, SlipFinding, SlipKind
from trapscan.movetree import NO_PARENT, Game, Repertoire, Walker
from trapscan.pgn.ours import without_ours
from trapscan.pgn.text import UTF_16, normalize
from trapscan.repertoire.collect import Collector
from trapscan.repertoire.places import PlacedReader
from trapscan.report import inserts
from trapscan.report.entry import Entry
from trapscan.report.text import FAIR_PLAY
from trapscan.report.words import alternatives, board_at, board_of_finding

Insert = Callable[[str], str]
"""The text of an insert, given a caution to be said in it."""


def annotate(files: Sequence[bytes], entries: Sequence[Entry]) -> list[bytes]:
    """The PGN files (unpacked) with the entries put in, the first of several at one place first; whatever an earlier
    run put in is taken out. UTF-16 comes back as UTF-16, and with its mark whatever had one."""
    plain = [without_ours(normalize(data)) for data in files]
    book = _Book.of(plain)
    inserted: list[list[tuple[int, int, Insert]]] = [[] for _ in files]
    for rank, entry in enumerate(entries):
        for node, insert in _inserts(entry, book):
            inserted[book.file_of(node)].append((book.places[node], rank, insert))
    return [
        _encoded(_put_in(data, sorted(found, key=lambda each: each[:2])), before)
        for data, before, found in zip(plain, files, inserted, strict=True)
    ]


def _put_in(data: bytes, found: Sequence[tuple[int, int, Insert]]) -> bytes:
    line_end = next((end for end in (b"\r\n", b"\n", b"\r") if end in data), b"\n")
    parts, at = [], 0
    for number, (place, _, insert) in enumerate(found):
        text = inserts.wrapped(insert("" if number else FAIR_PLAY), line_end.decode()).encode()
        # no blank line: some readers end the game there
        separator = b" " if data[:place].endswith((b"\n", b"\r")) else line_end
        parts += [data[at:place], separator, text]
        at = place
    return b"".join([*parts, data[at:]])


def _encoded(data: bytes, like: bytes) -> bytes:
    """In the encoding of the file it was made from; where that cannot be told back without loss, in UTF-8."""
    for mark, name in UTF_16:
        if like.startswith(mark):
            try:
                if like[len(mark) :].decode(name).encode(name) == like[len(mark) :]:
                    return mark + data.decode().encode(name)
            except UnicodeError:
                pass
            return data
    return like[: len(like) - len(normalize(like))] + data


# --- where things go -------------------------------------------------------------------------------------------------


def _inserts(entry: Entry, book: _Book) -> Iterator[tuple[int, Insert]]:
    """What is put in for a finding, each with the node behind which it stands; nothing where there is no place."""
    finding = entry.finding
    at, way = book.position_of(finding)
    if at is None:
        return
    held = book.held.get((at, finding.move.uci)) if not way else None
    if isinstance(finding, SlipFinding) and held is not None:
        yield from _held(entry, finding, book, held)
        return
    node = book.nodes[at]
    following = book.children.get(node)
    write = inserts.bait_variation if isinstance(finding, BaitFinding) else inserts.slip_variation
    if following:
        yield following[0], partial(write, entry, book.board(node), way)
    elif node not in book.places:
        return
    elif book.read.forest.parents[node] == NO_PARENT:
        yield node, partial(inserts.empty_game, entry)
    else:
        board, last = book.before(node)
        yield node, partial(write, entry, board, (last, *way))


def _held(entry: Entry, finding: SlipFinding, book: _Book, slip: int) -> Iterator[tuple[int, Insert]]:
    """The same for a slip that stands in the file, as node `slip`."""
    forest = book.read.forest
    after = book.nodes[book.tree.at[slip]]
    answers = book.children.get(after, ())
    held = {forest.move(node).uci() for node in answers}
    right = finding.prepared is not None and finding.prepared.right
    if finding.refutation is None or (answers and (right or finding.refutation.uci in held)):
        yield slip, partial(inserts.remark, entry)
    elif answers:
        yield answers[0], partial(inserts.refutation_variation, entry, book.board(after))
    else:
        board, _ = book.before(slip)
        yield slip, partial(inserts.slip_variation, entry, board, ())
    if finding.kind is SlipKind.UNSOUND and alternatives(finding):
        board, _ = book.before(slip)
        at = book.tree.at[forest.parents[slip]]
        if (at, alternatives(finding)[0].uci) not in book.held:
            yield slip, partial(inserts.better_variation, entry, board)


# --- the files -------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class _Book:
    """The files as one repertoire, with the places of its nodes in the files.

    `nodes`: for each position its first node that goes on, or else its first one. `children`: of a node, those that
    have a place. `held`: for a position and a move of it (UCI) the first node with a place, one that goes on first.
    """

    read: Repertoire
    tree: graph.Graph
    places: dict[int, int]
    walker: Walker
    nodes: dict[int, int] = field(default_factory=dict)
    children: dict[int, list[int]] = field(default_factory=dict)
    held: dict[tuple[int, str], int] = field(default_factory=dict)

    @classmethod
    def of(cls, files: Sequence[bytes]) -> _Book:
        collector = Collector()
        places: dict[int, int] = {}
        for data in files:
            collector.open_file("")
            reader = PlacedReader(collector, data)
            reader.read_all()
            places |= reader.places
        read = Repertoire((), tuple(collector.games), collector.forest, ())
        book = cls(read, graph.build(read), places, Walker(collector.forest))
        book._index()
        return book

    def _index(self) -> None:
        parents, tree = self.read.forest.parents, self.tree
        for node, parent in enumerate(parents):
            if node in self.places and parent != NO_PARENT:
                self.children.setdefault(parent, []).append(node)
        for node, parent in enumerate(parents):
            known = self.nodes.get(tree.at[node])
            if known is None or (known not in self.children and node in self.children):
                self.nodes[tree.at[node]] = node
            if node in self.places and parent != NO_PARENT:
                before, move, _ = tree.edges[tree.entered[node]]
                held = self.held.get((before, move))
                if held is None or (held not in self.children and node in self.children):
                    self.held[before, move] = node

    def position_of(self, finding: Finding) -> tuple[int | None, tuple[str, ...]]:
        """The position of a finding, and no moves; where it lies past the end of a line, the last position of that
        line, and the moves (SAN) from there."""
        at = self.tree.index.get(board_of_finding(finding).epd())
        beyond = finding.beyond if isinstance(finding, SlipFinding) else 0
        if at is not None or not beyond:
            return at, ()
        board = board_at(finding.start_fen)
        for san in finding.line[:-beyond]:
            board.push_san(san)
        return self.tree.index.get(board.epd()), finding.line[-beyond:]

    def file_of(self, node: int) -> int:
        return self._game(node).file

    def board(self, node: int) -> chess.Board:
        """The position at a node."""
        game = self._game(node)
        self.walker.start(game.root, game.start_fen)
        return self.walker.go(node).copy(stack=False)

    def before(self, node: int) -> tuple[chess.Board, str]:
        """The position before the move that leads to a node, and that move (SAN)."""
        board = self.board(self.read.forest.parents[node])
        return board, board.san(self.read.forest.move(node))

    def _game(self, node: int) -> Game:
        games = self.read.games
        return games[bisect(games, node, key=lambda game: game.root) - 1]


__all__ = ["annotate"]
