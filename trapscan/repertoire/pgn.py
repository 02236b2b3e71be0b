"""PGN files into a tree of moves."""

from __future__ import annotations

import chess

from trapscan.errors import RepertoireError
from trapscan.pgn import Scanner, Tags, cut, tag_values
from trapscan.pgn.start import OtherVariant, Refused, start_of
from trapscan.repertoire.collect import Collector, LimitReached
from trapscan.repertoire.movetext import Movetext


class PgnReader:
    """Reads one PGN file into a collector: a `trapscan.pgn.Sink`."""

    exact = True

    def __init__(self, collector: Collector) -> None:
        self._collector = collector
        self._begun = False
        self._game: Movetext | None = None  # None where the game's start position cannot be used
        self._start_fen = chess.STARTING_FEN
        self._name = ""

    def read(self, data: bytes) -> None:
        """Read everything. What was read of a game is kept when a limit is met in it."""
        scanner = Scanner(self)
        try:
            scanner.read(cut(data))
        except LimitReached:
            if self._begun:
                self.end()
            raise

    def begin(self, tags: Tags) -> None:
        """See Sink. Raises RepertoireError where the game is one of another variant."""
        self._begun, self._game = True, None
        self._collector.number += 1
        values = tag_values(tags)
        self._name = _name(values)
        try:
            self._start_fen = start_of(values.get("FEN", ""), values.get("Variant", ""), self._collector.problem)
        except OtherVariant as exc:
            raise RepertoireError(f"'{self._collector.file_name}', game {self._collector.number}: {exc}") from exc
        except Refused as exc:
            self._collector.problem(f"{exc}; the game is passed over")
        else:
            self._game = Movetext(self._collector, self._start_fen)

    def take(self, tokens: list[bytes], starts: list[int]) -> None:
        """See Sink."""
        if self._game is not None:
            for token in tokens:
                self._game.take(token)

    def end(self) -> None:
        """See Sink."""
        if self._game is not None:
            self._game.finish()
            self._collector.end_game(self._game.root, self._start_fen, self._name)
        self._begun, self._game = False, None

    def passed_over(self, text: str) -> None:
        """See Sink."""
        self._collector.problem(text, game=self._collector.number + (not self._begun))


def _name(tags: dict[str, str]) -> str:
    """What a person would call the game: its event, or its players."""
    parts = [tags.get("Event", ""), " - ".join(filter(_told, (tags.get("White", ""), tags.get("Black", ""))))]
    return ": ".join(filter(_told, parts))[:120]


def _told(value: str) -> bool:
    return value.strip("? ") != ""
