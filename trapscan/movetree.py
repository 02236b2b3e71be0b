"""Move trees as they were read: one compact forest for all games, and a board that walks along it.

A node costs eight bytes, whatever the number of games, and nothing here recurses: a tree may be nested to any depth.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field

import chess

from trapscan.contract import InputFile, Problem

NO_PARENT = -1
MISTAKE_NAGS = frozenset({2, 4})
"""NAGs by which an author marks a move as wrong: $2 (?) and $4 (??)."""


def encode(move: chess.Move) -> int:
    """A move as 15 bits: from square, to square, promotion piece."""
    return move.from_square | move.to_square << 6 | (move.promotion or 0) << 12


def decode(code: int) -> chess.Move:
    """The move that `encode` made `code` of."""
    return chess.Move(code & 63, code >> 6 & 63, code >> 12 or None)


class Forest:
    """Nodes in the order in which they were read. A root stands for a start position, every other node for a move.

    A parent always comes before its children, and the children of a node are in file order, the main move first.
    `comments` and `nags` hold only the nodes that have any.
    """

    __slots__ = ("codes", "comments", "nags", "parents", "plies")

    def __init__(self) -> None:
        self.parents = array("i")
        self.codes = array("H")
        self.plies = array("H")
        self.comments: dict[int, str] = {}
        self.nags: dict[int, tuple[int, ...]] = {}

    def __len__(self) -> int:
        return len(self.parents)

    def add_root(self) -> int:
        """A new root; returns its index."""
        self.parents.append(NO_PARENT)
        self.codes.append(0)
        self.plies.append(0)
        return len(self.parents) - 1

    def add(self, parent: int, move: chess.Move) -> int:
        """A new node below `parent`; returns its index."""
        self.parents.append(parent)
        self.codes.append(encode(move))
        self.plies.append(self.plies[parent] + 1)
        return len(self.parents) - 1

    def move(self, node: int) -> chess.Move:
        """The move that leads to a node that is no root."""
        return decode(self.codes[node])

    def path(self, node: int) -> list[chess.Move]:
        """The moves from the root to the node."""
        moves = []
        while self.parents[node] != NO_PARENT:
            moves.append(self.move(node))
            node = self.parents[node]
        return moves[::-1]


@dataclass(frozen=True, slots=True)
class Game:
    """A game, or one line of an EPD or SAN list: the nodes `root` ... `stop - 1` of the forest.

    `file` is an index into the repertoire's files, `number` counts the games of a file from 1. `operations` are those
    of an EPD line, by opcode, as written. `side` is whose side it takes by its tags: "white", "black", or "".
    """

    file: int
    number: int
    start_fen: str
    root: int
    stop: int
    name: str = ""
    operations: tuple[tuple[str, str], ...] = ()
    side: str = ""

    def nodes(self) -> range:
        """All its nodes, the root first."""
        return range(self.root, self.stop)

    def moves(self) -> range:
        """Its nodes without the root, in file order."""
        return range(self.root + 1, self.stop)


@dataclass(frozen=True, slots=True)
class Repertoire:
    """What was read: the files, the games with their moves, and what had to be passed over."""

    files: tuple[InputFile, ...]
    games: tuple[Game, ...]
    forest: Forest = field(repr=False)
    problems: tuple[Problem, ...] = ()


class Walker:
    """A board that follows the nodes of a forest; going to a neighbouring node costs a push or a pop."""

    def __init__(self, forest: Forest) -> None:
        self.forest = forest
        self.board = chess.Board()
        self.node = NO_PARENT
        self._start_fen = ""

    def start(self, root: int, start_fen: str) -> None:
        """Go to a root."""
        if start_fen == self._start_fen:
            while self.board.move_stack:
                self.board.pop()
        else:
            self.board = chess.Board(start_fen)
            self._start_fen = start_fen
        self.node = root

    def go(self, node: int) -> chess.Board:
        """Go to a node of the same game; returns the board, which stays the walker's own."""
        forest, board, here = self.forest, self.board, self.node
        parents, plies = forest.parents, forest.plies
        ahead = []
        there = node
        while plies[here] > plies[there]:
            here = parents[here]
            board.pop()
        while plies[there] > plies[here]:
            ahead.append(there)
            there = parents[there]
        while here != there:
            here = parents[here]
            board.pop()
            ahead.append(there)
            there = parents[there]
        for step in reversed(ahead):
            board.push(forest.move(step))
        self.node = node
        return board
