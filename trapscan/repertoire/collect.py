"""Where the readers put what they read: nodes, games, problems, within stated limits."""

from __future__ import annotations

import chess

from trapscan.contract import Problem
from trapscan.errors import RepertoireError
from trapscan.movetree import Forest, Game, Walker

MAX_FILE_BYTES = 256 * 1024 * 1024
MAX_MOVES = 1_000_000
"""Moves of all files together. A scan needs about a second for a position: a million would take eleven days."""
MAX_GAMES = 500_000
MAX_PLY = 600
"""Plies of one line; the longest serious games on record have fewer (from memory: 269 moves, Belgrade 1989)."""
MAX_COMMENT = 2_000
"""Characters of one comment that are kept."""
MAX_PROBLEMS = 200
"""Problems of one file that are listed one by one."""


class LimitReached(Exception):
    """A limit on games or moves was met: reading stops here, what was read is kept. Never leaves the room."""


class Collector:
    """Everything read so far. One for all files, told which file is being read.

    `number` is the game being read, from 1; `useful` counts the file's games that hold a move or a position of their
    own.
    """

    def __init__(self) -> None:
        self.forest = Forest()
        self.walker = Walker(self.forest)
        self.games: list[Game] = []
        self.problems: list[Problem] = []
        self.file = -1
        self.file_name = ""
        self.number = 0
        self.useful = 0
        self._moves = 0
        self._in_file = 0
        self._children: dict[int, int] = {}

    def open_file(self, name: str) -> None:
        """Readers speak of this file from now on."""
        self.file += 1
        self.file_name = name
        self.number = 0
        self.useful = 0
        self._in_file = 0

    def close_file(self) -> None:
        """Say how many problems were not listed."""
        hidden = self._in_file - MAX_PROBLEMS
        if hidden > 0:
            self.problems.append(
                Problem(file=self.file_name, game=0, ply=0, text=f"{hidden} more problems in this file are not listed")
            )

    def problem(self, text: str, *, ply: int = 0, game: int | None = None) -> None:
        """Something that is passed over, in the game being read."""
        self._in_file += 1
        if self._in_file <= MAX_PROBLEMS:
            number = self.number if game is None else game
            self.problems.append(Problem(file=self.file_name, game=number, ply=ply, text=text))

    def begin_game(self, start_fen: str) -> int:
        """A new game from a position that `start_position` has passed; returns its root."""
        if len(self.games) >= MAX_GAMES:
            raise LimitReached(f"more than {MAX_GAMES:,} games: the rest is not read")
        self._children.clear()
        root = self.forest.add_root()
        self.walker.start(root, start_fen)
        return root

    def end_game(
        self, root: int, start_fen: str, name: str, operations: tuple[tuple[str, str], ...] = (), side: str = ""
    ) -> None:
        """The game that began at `root` is complete."""
        self.useful += len(self.forest) > root + 1 or start_fen != chess.STARTING_FEN
        self.games.append(Game(self.file, self.number, start_fen, root, len(self.forest), name, operations, side))

    def add_move(self, parent: int, move: chess.Move) -> int:
        """The node of `move` below `parent`: a new one, or the one that is already there in this game."""
        forest = self.forest
        next_node = len(forest)
        key = parent << 16 | (move.from_square | move.to_square << 6 | (move.promotion or 0) << 12)
        node = self._children.setdefault(key, next_node)
        if node == next_node:
            if self._moves >= MAX_MOVES:
                raise LimitReached(f"more than {MAX_MOVES:,} moves: the rest is not read")
            self._moves += 1
            forest.add(parent, move)
        return node


def nothing_in(name: str, problems: list[Problem]) -> RepertoireError:
    """The error for a file that held no move and no position."""
    first = next((p for p in problems if p.file == name), None)
    why = f"; first problem: {first.text}" if first else ""
    return RepertoireError(f"no moves or positions found in '{name}'{why}")
