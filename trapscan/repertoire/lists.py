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


_LABEL = re.compile(rb'\s*([A-E]\d\d\w{0,4}(?=[\s"]))?\s*(?:"([^"]{0,400})")?\s*')
"""An ECO code, with what some lists put behind it, and a name."""


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
    the line above. Before the moves may stand a label, an ECO code or a name in quotation marks or both: it is the
    line's title, and the moves may then go on over further lines until a result ends them."""
    game: _Labelled | None = None
    for raw in _lines(data):
        if not raw.strip() or _REMARK.match(raw):
            continue
        label = _LABEL.match(raw)
        assert label is not None  # it may be empty
        text = raw[label.end() :]
        if label[0].strip() or game is None or not game.goes_on_with(text):
            if game is not None:
                game.close()
            game = _Labelled(collector, b" ".join(part.strip() for part in label.groups() if part))
        try:
            game.take(text)
        except LimitReached:
            game.close()
            raise
    if game is not None:
        game.close()


class _Labelled:
    """A line of moves that is being read, and its label."""

    def __init__(self, collector: Collector, label: bytes) -> None:
        collector.number += 1
        self._collector = collector
        self._name = " ".join(decode(label).split())[:120]
        self._game = Movetext(collector, chess.STARTING_FEN)
        self._over = False

    def goes_on_with(self, text: bytes) -> bool:
        """Whether a line without a label belongs to this one."""
        number = _NUMBER.match(text)
        if self._name and not self._over and (number is None or self._game.node == self._game.root):
            return True
        return number is not None and (int(number[1]) > 1 or bool(number[2]))

    def take(self, text: bytes) -> None:
        for token in TOKEN.findall(text):
            if token in RESULTS:
                self._over = True
            else:
                self._game.take(token)

    def close(self) -> None:
        self._game.finish()
        self._collector.end_game(self._game.root, chess.STARTING_FEN, self._name)


def _operations(text: str) -> tuple[tuple[str, str], ...]:
    """EPD operations as (opcode, operands as written)."""
    return tuple((m[1], m[2].strip()) for m in _OPERATION.finditer(text))


def _counter(text: str, default: int) -> int:
    return int(text) if text.isdecimal() and len(text) <= 4 else default


def _lines(data: bytes) -> list[bytes]:
    return re.split(rb"\r\n|\n|\r", data)
