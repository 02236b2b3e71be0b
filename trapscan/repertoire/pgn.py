"""PGN files: tags and movetext, several games a file."""

from __future__ import annotations

import re

import chess

from trapscan.errors import RepertoireError
from trapscan.repertoire.collect import Collector, LimitReached, Refused, printable, start_position
from trapscan.repertoire.movetext import RESULTS, TAG, TOKEN, Movetext
from trapscan.repertoire.text import decode

MAX_TAG_VALUE = 1_000
"""Bytes of a tag's value that are looked at."""
MAX_TAGS = 100
STANDARD_VARIANTS = frozenset({"", "chess", "standard", "normal", "from position", "classical", "orthodox"})
CHESS960_VARIANTS = frozenset({"chess960", "chess 960", "960", "fischerandom", "fischerrandom", "fischer random"})

_STRING_END = re.compile(rb'(?<!\\)(?:\\\\)*+(?P<quote>")\s*\]')
_PLAIN_END = re.compile(rb'(?P<quote>")\s*\]')
_FIRST_NUMBER = re.compile(rb"(\d{1,6})\.(?!\.)")


class PgnReader:
    """Reads one PGN file into a collector."""

    def __init__(self, data: bytes, collector: Collector) -> None:
        self._data = data
        self._collector = collector
        self._tags: dict[str, str] = {}
        self._game: Movetext | None = None
        self._start_fen = chess.STARTING_FEN
        self._refused = False  # the game's start position cannot be used: its moves are passed over

    def read(self) -> None:
        """Read everything. What was read of a game is kept when a limit is met in it."""
        try:
            self._read()
        except LimitReached:
            if self._game is not None:
                self._finish()
            raise

    def _read(self) -> None:
        data, search = self._data, TOKEN.search
        position = 0
        while token := search(data, position):
            position = token.end()
            kind = data[token.start()]
            if kind == 0x7B:  # {
                position = self._comment(token.start())
            elif kind == 0x3B:  # ;
                position = self._rest_of_line(token.start())
            elif kind == 0x25 and _at_line_start(data, token.start()):  # %
                position = _line_end(data, token.start())
            elif kind == 0x5B:  # [
                position = self._tag(token.start())
            elif kind == 0x28:  # (
                if game := self._movetext():
                    game.open()
            elif kind == 0x29:  # )
                if game := self._movetext():
                    game.close()
            elif kind == 0x24:  # $
                self._nag(token[0])
            else:
                self._word(token[0])
        self._finish()

    def _movetext(self) -> Movetext | None:
        """The game being read, begun if need be; None where its start position cannot be used."""
        if self._game is None and not self._refused:
            self._begin()
        return self._game

    def _begin(self) -> None:
        self._collector.number += 1
        variant = self._tags.get("Variant", "").strip().lower()
        if variant not in STANDARD_VARIANTS | CHESS960_VARIANTS:
            raise RepertoireError(
                f"'{self._collector.file_name}', game {self._collector.number}: "
                f"variant {printable(variant)} is not supported; trapscan reads standard chess"
            )
        fen, chess960 = self._tags.get("FEN", ""), variant in CHESS960_VARIANTS
        self._start_fen = chess.STARTING_FEN
        try:
            if fen:
                self._start_fen = start_position(fen, self._collector, chess960=chess960)
            elif chess960:
                raise Refused("a Chess960 game needs a FEN tag")
        except Refused as exc:
            self._collector.problem(f"{exc}; the game is passed over")
            self._refused = True
        else:
            self._game = Movetext(self._collector, self._start_fen)

    def _finish(self) -> None:
        """Close the game being read, if any."""
        if self._tags:
            self._movetext()
        if self._game is not None:
            self._game.finish()
            self._collector.end_game(self._game.root, self._start_fen, _name(self._tags))
        self._game = None
        self._tags = {}
        self._refused = False

    def _word(self, word: bytes) -> None:
        game = self._game
        if word in RESULTS and (game is None or not game.depth):
            self._finish()
            return
        if game is not None and game.moved and not game.depth and game.first_number == 1:
            number = _FIRST_NUMBER.match(word)
            if number and int(number[1]) == 1:
                self._finish()  # games without tags and results, one after the other
        if game := self._movetext():
            game.word(word)

    def _nag(self, token: bytes) -> None:
        if self._game is not None:
            self._game.nag(int(token[1:8] or b"0"))

    def _comment(self, start: int) -> int:
        """Take the comment that opens at `start`; returns where it ends."""
        end = self._data.find(b"}", start)
        if end < 0:
            self._take_comment(start + 1, len(self._data))
            self._collector.problem("a comment is not closed at the end of the file")
            return len(self._data)
        self._take_comment(start + 1, end)
        return end + 1

    def _rest_of_line(self, start: int) -> int:
        end = _line_end(self._data, start)
        self._take_comment(start + 1, end)
        return end

    def _take_comment(self, start: int, end: int) -> None:
        if self._game is None and not self._tags:
            return  # a heading between games
        if game := self._movetext():
            game.comment(self._data[start : min(end, start + 20_000)])

    def _tag(self, start: int) -> int:
        """Take the tag that opens at `start`; returns where it ends. A tag after movetext begins the next game."""
        tag = TAG.match(self._data, start)
        if not tag:
            end = _line_end(self._data, start)
            self._collector.problem(f"not a tag: {printable(decode(self._data[start : min(end, start + 60)]))}")
            return end
        if self._game is not None or self._refused:
            self._finish()
        closing = self._tag_end(tag.end())
        if not closing:
            self._collector.problem("a tag is not closed", game=self._collector.number + 1)
            return _line_end(self._data, start)
        value = self._data[tag.end() : min(closing.start("quote"), tag.end() + MAX_TAG_VALUE)]
        name = tag[1].decode("ascii")
        if closing.start("quote") - tag.end() > MAX_TAG_VALUE:
            self._collector.problem(f"tag {name} is cut after {MAX_TAG_VALUE:,} bytes", game=self._collector.number + 1)
        if len(self._tags) < MAX_TAGS:
            self._tags[name] = re.sub(r"\\([\\\"])", r"\1", decode(value))
        return closing.end()

    def _tag_end(self, start: int) -> re.Match[bytes] | None:
        """Where a tag's value ends: at its closing quote, and on its line. Files with a plain backslash before the
        closing quote (a folder's name, say) are common: there the line decides."""
        line_end = _line_end(self._data, start)
        return _STRING_END.search(self._data, start, line_end) or _PLAIN_END.search(self._data, start, line_end)


def _at_line_start(data: bytes, position: int) -> bool:
    return position == 0 or data[position - 1] in b"\r\n"


def _line_end(data: bytes, position: int) -> int:
    end = data.find(b"\n", position)
    return len(data) if end < 0 else end


def _name(tags: dict[str, str]) -> str:
    """What a person would call the game: its event, or its players."""
    parts = [tags.get("Event", ""), " - ".join(filter(_told, (tags.get("White", ""), tags.get("Black", ""))))]
    return ": ".join(filter(_told, parts))[:120]


def _told(value: str) -> bool:
    return value.strip("? ") != ""
