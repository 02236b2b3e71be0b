"""A line of moves with the position before each of them."""

from __future__ import annotations

import functools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import chess

from trapscan.explain.exchange import capture_square


@dataclass(frozen=True, slots=True)
class Play:
    """Moves and positions: `boards[i]` stands before `moves[i]`, `boards[-1]` at the end. The side that moves first is
    the punisher wherever a refutation is meant. The boards must not be changed."""

    boards: tuple[chess.Board, ...]
    moves: tuple[chess.Move, ...]

    @classmethod
    def after(cls, board: chess.Board, slip: chess.Move, line: Sequence[str]) -> Play:
        """The line from the position after `slip`. The last few are kept: whether a line is long enough is asked before
        it is explained."""
        return _after(board.fen(en_passant="fen"), board.chess960, slip, tuple(line))

    @classmethod
    def along(cls, board: chess.Board, line: Sequence[str | chess.Move]) -> Play:
        """The line from `board`, cut before the first move that is not legal there (an engine's line may be cut)."""
        boards = [board.copy(stack=1)]
        moves: list[chess.Move] = []
        for item in line:
            here = boards[-1]
            try:
                move = here.parse_uci(item) if isinstance(item, str) else item
            except ValueError:
                break
            if not move or not (isinstance(item, str) or here.is_legal(move)):  # parse_uci lets null moves through
                break
            after = here.copy(stack=1)
            after.push(move)
            boards.append(after)
            moves.append(move)
        return cls(tuple(boards), tuple(moves))

    def first(self, plies: int) -> Play:
        """The line cut after so many plies."""
        return self if plies >= len(self.moves) else Play(self.boards[: plies + 1], self.moves[:plies])

    @property
    def side(self) -> chess.Color:
        """The side that moves first."""
        return self.boards[0].turn

    @property
    def end(self) -> chess.Board:
        """The last position."""
        return self.boards[-1]

    def __len__(self) -> int:
        return len(self.moves)

    def own(self) -> Iterator[int]:
        """The indices of the first side's moves."""
        return iter(range(0, len(self.moves), 2))

    def mover(self, index: int) -> chess.PieceType:
        """The type of the piece that makes move `index` (a pawn that promotes is a pawn)."""
        return self.boards[index].piece_type_at(self.moves[index].from_square) or chess.PAWN

    def taken(self, index: int) -> tuple[chess.Square, chess.PieceType] | None:
        """Where and what move `index` captures, or None."""
        square = capture_square(self.boards[index], self.moves[index])
        if square is None:
            return None
        return square, self.boards[index].piece_type_at(square) or chess.PAWN

    def san(self, index: int) -> str:
        """Move `index` in SAN, a mate without its sign: sentences say it in words."""
        return self.boards[index].san(self.moves[index]).rstrip("#")

    def sans(self, start: int, stop: int) -> str:
        """The moves from `start` up to `stop` in SAN."""
        return " ".join(self.san(index) for index in range(start, min(stop, len(self.moves))))

    def is_capture(self, index: int) -> bool:
        """Whether move `index` takes something."""
        return self.boards[index].is_capture(self.moves[index])

    def where(self, square: chess.Square, start: int, stop: int) -> chess.Square | None:
        """Where the piece that stands on `square` in `boards[start]` stands in `boards[stop]`; None if taken."""
        for index in range(start, stop):
            move = self.moves[index]
            if move.from_square == square:
                if self.boards[index].is_castling(move):
                    rank = chess.square_rank(square)
                    square = chess.square(6 if chess.square_file(move.to_square) > 4 else 2, rank)
                else:
                    square = move.to_square
            elif capture_square(self.boards[index], move) == square:
                return None
        return square


@functools.lru_cache(maxsize=32)  # safe for threads: a cluster's worker may explain several positions at once
def _after(fen: str, chess960: bool, slip: chess.Move, line: tuple[str, ...]) -> Play:
    after = chess.Board(fen, chess960=chess960)
    after.push(slip)
    return Play.along(after, line)
