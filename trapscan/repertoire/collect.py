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

_REFUSED = (
    (chess.STATUS_NO_WHITE_KING, "White has no king"),
    (chess.STATUS_NO_BLACK_KING, "Black has no king"),
    (chess.STATUS_TOO_MANY_KINGS, "a side has more than one king"),
    (chess.STATUS_TOO_MANY_WHITE_PAWNS, "White has more than eight pawns"),
    (chess.STATUS_TOO_MANY_BLACK_PAWNS, "Black has more than eight pawns"),
    (chess.STATUS_PAWNS_ON_BACKRANK, "a pawn stands on the first or last rank"),
    (chess.STATUS_TOO_MANY_WHITE_PIECES, "White has more than sixteen men"),
    (chess.STATUS_TOO_MANY_BLACK_PIECES, "Black has more than sixteen men"),
    (chess.STATUS_OPPOSITE_CHECK, "the side that has just moved is in check"),
    (chess.STATUS_EMPTY, "the board is empty"),
    (chess.STATUS_RACE_CHECK | chess.STATUS_RACE_OVER | chess.STATUS_RACE_MATERIAL, "not a position of chess"),
    (chess.STATUS_TOO_MANY_CHECKERS, "more pieces give check than any move could bring about"),
    (chess.STATUS_IMPOSSIBLE_CHECK, "no move could have given this check"),
)


class LimitReached(Exception):
    """A limit on games or moves was met: reading stops here, what was read is kept. Never leaves the room."""


class Refused(Exception):
    """A start position that cannot be used; the text says why. Never leaves the room."""


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
        """A new game from a position that `check_start` has passed; returns its root."""
        if len(self.games) >= MAX_GAMES:
            raise LimitReached(f"more than {MAX_GAMES:,} games: the rest is not read")
        self._children.clear()
        root = self.forest.add_root()
        self.walker.start(root, start_fen)
        return root

    def end_game(self, root: int, start_fen: str, name: str, operations: tuple[tuple[str, str], ...] = ()) -> None:
        """The game that began at `root` is complete."""
        self.useful += len(self.forest) > root + 1 or start_fen != chess.STARTING_FEN
        self.games.append(Game(self.file, self.number, start_fen, root, len(self.forest), name, operations))

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


def start_position(fen: str, collector: Collector, *, chess960: bool = False) -> str:
    """The full FEN of a start position, put right where that is possible (a problem says so).

    `chess960`: the game says that it is Chess960; it is accepted where its castling rights are those of standard
    chess. Raises Refused where the position is not one that chess can be played from.
    """
    if len(fen) > 200:
        raise Refused("the FEN is too long to be a position")
    try:
        board = chess.Board(fen, chess960=chess960)
    except ValueError as exc:
        raise Refused(f"not a FEN: {printable(fen)}") from exc
    if chess960:
        if board.has_chess960_castling_rights():
            raise Refused("castling rights of Chess960 are not supported")
        board.chess960 = False
    status = board.status()
    for flags, text in _REFUSED:
        if status & flags:
            raise Refused(f"illegal position: {text}")
    if status & chess.STATUS_BAD_CASTLING_RIGHTS:
        collector.problem(
            "the FEN claims castling rights that king and rooks do not have in standard chess: they are left out"
        )
        board.castling_rights = board.clean_castling_rights()
    if status & chess.STATUS_INVALID_EP_SQUARE:
        collector.problem("the FEN names an en passant square that no pawn has just passed: it is left out")
        board.ep_square = None
    if not any(board.legal_moves):
        over = "checkmate" if board.is_check() else "stalemate"
        raise Refused(f"the game is over at its start: {over}")
    return board.fen()


def printable(text: str, limit: int = 40) -> str:
    """A piece of input as it may stand in a one-line message: cut, quoted, nothing unprintable."""
    cut = text[:limit] + ("..." if len(text) > limit else "")
    return "'" + "".join(c if c.isprintable() else "?" for c in cut) + "'"


def nothing_in(name: str, problems: list[Problem]) -> RepertoireError:
    """The error for a file that held no move and no position."""
    first = next((p for p in problems if p.file == name), None)
    why = f"; first problem: {first.text}" if first else ""
    return RepertoireError(f"no moves or positions found in '{name}'{why}")
