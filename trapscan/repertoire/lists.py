"""Lists, one entry a line: EPD or FEN positions, and lines of SAN moves."""

from __future__ import annotations

import re

import chess

from trapscan.pgn import TOKEN, decode, printable
from trapscan.pgn.start import Refused, start_position
from trapscan.pgn.words import RESULTS
from trapscan.repertoire.collect import Collector, LimitReached
from trapscan.repertoire.movetext import Movetext

PLACEMENT = re.compile(rb"\s*([1-8pnbrqkPNBRQK]{1,8}/){7}[1-8pnbrqkPNBRQK]{1,8}\s+[wb]\s")
MAX_LINE = 10_000
"""Bytes of one EPD line."""

_COUNTERS = re.compile(r"(\d{1,4})\s+(\d{1,5})\s*(.*)", re.DOTALL)
_OPERATION = re.compile(r"\s*([A-Za-z][A-Za-z0-9_]{0,14})((?:\s*\"[^\"]*\"|[^;\"])*+)(?:;|$)")
_REMARK = re.compile(rb"\s*(?:#|%|;|//)")
_NUMBER = re.compile(rb"\s*(\d{1,6})\s*\.(\.*)")


def read_epd(data: bytes, collector: Collector) -> None:
    """Each line a position: EPD with operations (`hmvc` and `fmvn` set the counters), or FEN."""
    for raw in _lines(data):
        if not raw.strip() or _REMARK.match(raw):
            continue
        collector.number += 1
        if len(raw) > MAX_LINE:
            collector.problem(f"the line has more than {MAX_LINE:,} bytes: no position")
            continue
        fields = decode(raw).split(maxsplit=4)
        if len(fields) < 4:
            collector.problem(f"not a position: {printable(decode(raw).strip())}")
            continue
        rest = fields[4] if len(fields) > 4 else ""
        halfmoves, fullmove = 0, 1
        if counters := _COUNTERS.match(rest):
            halfmoves, fullmove, rest = int(counters[1]), int(counters[2]), counters[3]
        operations = _operations(rest)
        told = dict(operations)
        halfmoves = _counter(told.get("hmvc", ""), halfmoves)
        fullmove = max(1, _counter(told.get("fmvn", ""), fullmove))
        try:
            fen = start_position(f"{' '.join(fields[:4])} {halfmoves} {fullmove}", collector.problem)
        except Refused as exc:
            collector.problem(str(exc))
            continue
        root = collector.begin_game(fen)
        collector.useful += 1
        collector.end_game(root, fen, told.get("id", "").strip('"')[:120], operations)


def read_san_lines(data: bytes, collector: Collector) -> None:
    """Each line a line of moves from the initial position; one that begins with a later move number goes on with
    the line above."""
    game: Movetext | None = None
    for raw in _lines(data):
        if not raw.strip() or _REMARK.match(raw):
            continue
        number = _NUMBER.match(raw)
        if game is None or number is None or (int(number[1]) <= 1 and not number[2]):
            if game is not None:
                _close(game, collector)
            collector.number += 1
            game = Movetext(collector, chess.STARTING_FEN)
        try:
            _feed_line(raw, game)
        except LimitReached:
            _close(game, collector)
            raise
    if game is not None:
        _close(game, collector)


def _feed_line(raw: bytes, game: Movetext) -> None:
    for token in TOKEN.findall(raw):
        if token not in RESULTS:
            game.take(token)


def _close(game: Movetext, collector: Collector) -> None:
    game.finish()
    collector.end_game(game.root, chess.STARTING_FEN, "")


def _operations(text: str) -> tuple[tuple[str, str], ...]:
    """EPD operations as (opcode, operands as written)."""
    return tuple((m[1], m[2].strip()) for m in _OPERATION.finditer(text))


def _counter(text: str, default: int) -> int:
    return int(text) if text.isdecimal() and len(text) <= 4 else default


def _lines(data: bytes) -> list[bytes]:
    return re.split(rb"\r\n|\n|\r", data)
