"""The positions that games are read for, arranged so that most games are left early."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache

import chess


class Wanted:
    """The positions asked for, arranged so that a game is left as soon as none of them can come any more: pawns do not
    return home, castling rights do not come back, and pieces do not rise from the dead."""

    def __init__(self, epds: Iterable[str]) -> None:
        self.epds = frozenset(epds)
        boards = [chess.Board(epd + " 0 1") for epd in self.epds]
        self._placed = {_placing(board) for board in boards}
        self._known = {_key(board): epd for board, epd in zip(boards, self.epds, strict=True)}
        fewest: dict[tuple[int, int], int] = {}
        for board in boards:
            key, men = _homes(board), chess.popcount(board.occupied)
            fewest[key] = min(men, fewest.get(key, 64))
        # the hardest to rule out first; one that comes only where another may come too tells nothing
        self._fewest: list[tuple[int, int, int]] = []
        for (home, rights), men in sorted(fewest.items(), key=lambda item: (chess.popcount(item[0][0]), item)):
            if not any(h & ~home == 0 and r & ~rights == 0 and m <= men for h, r, m in self._fewest):
                self._fewest.append((home, rights, men))
        self._needed: dict[tuple[int, int], int] = {}

    def epd(self, board: chess.Board) -> str | None:
        """The position's EPD if it was asked for."""
        if _placing(board) not in self._placed:
            return None
        return self._known.get(_key(board))

    def may_come(self, board: chess.Board) -> bool:
        """Whether a wanted position may still arise from this one (or is this one)."""
        here = _homes(board)
        least = self._needed.get(here)
        if least is None:
            fits = [men for home, rights, men in self._fewest if not (home & ~here[0] or rights & ~here[1])]
            least = self._needed[here] = min(fits, default=64)
        return chess.popcount(board.occupied) >= least


@lru_cache(maxsize=1)
def wanted_positions(epds: frozenset[str]) -> Wanted:
    """Arranged once for all pieces that a process reads."""
    return Wanted(epds)


def _placing(board: chess.Board) -> tuple[int, int, bool]:
    return board.occupied_co[chess.WHITE], board.occupied_co[chess.BLACK], board.turn


def _key(board: chess.Board) -> tuple[int | None, ...]:
    """What decides the EPD, and is forty times as fast to have."""
    return (
        board.occupied_co[chess.WHITE],
        board.turn,
        board.pawns,
        board.knights,
        board.bishops,
        board.rooks,
        board.queens,
        board.kings,
        board.clean_castling_rights(),
        board.ep_square if board.ep_square is not None and board.has_legal_en_passant() else None,
    )


def _homes(board: chess.Board) -> tuple[int, int]:
    white = board.pawns & board.occupied_co[chess.WHITE] & chess.BB_RANK_2
    black = board.pawns & board.occupied_co[chess.BLACK] & chess.BB_RANK_7
    return white | black, board.castling_rights
