"""What `trapscan chance` prints: the chances of all moves, as a table or as JSON lines."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass

import chess

from trapscan.errors import InputError
from trapscan.model import Chances
from trapscan.pgn import line_of_moves

_FEN = re.compile(r"^\s*[pnbrqkPNBRQK1-8]+(/[pnbrqkPNBRQK1-8]+){7}\s+[wb]\s")


@dataclass(frozen=True)
class ChanceRow:
    """One position and its moves, the likeliest first at the first level."""

    board: chess.Board
    levels: tuple[int, ...]
    moves: Chances
    time_control: str


def boards_from_lines(lines: Iterable[str]) -> list[chess.Board]:
    """One board a line, in order: a FEN, an EPD, or the moves of a line in SAN (its last position, the moves on the
    board's stack). Empty lines and lines that begin with '#' are left out. Raises InputError with the line's number."""
    boards = []
    for number, line in enumerate(lines, 1):
        text = line.strip()
        if not text or text.startswith("#"):
            continue
        try:
            boards.append(_position(text) if _FEN.match(text) else line_of_moves(text))
        except ValueError as exc:
            raise InputError(f"line {number}: neither a position nor a line of moves: {exc}") from exc
    return boards


def _position(text: str) -> chess.Board:
    fields = text.split()
    if len(fields) >= 6 and fields[4].isdigit() and fields[5].isdigit():
        board = chess.Board(" ".join(fields[:6]))
    else:
        board = chess.Board()
        board.set_epd(text)
    if not board.is_valid():
        raise ValueError("the position is not legal")
    return board


def chance_row(board: chess.Board, levels: tuple[int, ...], chances: Chances, time_control: str) -> ChanceRow:
    """The chances in a position, in the order of a table; `time_control` says which games they are for."""
    ordered = dict(sorted(chances.items(), key=lambda item: (-item[1][0], item[0])))
    return ChanceRow(board, levels, ordered, time_control)


def report_json(row: ChanceRow) -> str:
    """One JSON line: {"fen": ..., "levels": [...], "time_control": "600+0", "moves": {"e2e4": [...], ...}}."""
    moves = {move: list(row.moves[move]) for move in sorted(row.moves)}
    told = {"fen": row.board.fen(), "levels": list(row.levels), "time_control": row.time_control, "moves": moves}
    return json.dumps(told)


def report_text(row: ChanceRow, limit: int = 12) -> str:
    """A table of the likeliest moves, in per cent by level, and the rest as one row."""
    if not row.moves:
        return f"{row.board.fen()}\n  no legal move\n"
    middle = len(row.levels) // 2
    ordered = sorted(row.moves.items(), key=lambda item: (-item[1][middle], item[0]))
    head = f"  {'move':8}" + "".join(f"{level:>7}" for level in row.levels)
    lines = [f"{row.board.fen()}  (time control {row.time_control})", head]
    for move, shares in ordered[:limit]:
        lines.append(f"  {row.board.san(row.board.parse_uci(move)):8}" + "".join(f"{100 * x:7.1f}" for x in shares))
    if others := ordered[limit:]:
        sums = [sum(shares[i] for _, shares in others) for i in range(len(row.levels))]
        lines.append(f"  {f'{len(others)} more':8}" + "".join(f"{100 * x:7.1f}" for x in sums))
    return "\n".join(lines) + "\n"
