"""PGN files into a tree of moves."""

from __future__ import annotations

import re
from collections.abc import Mapping

import chess

from trapscan.errors import RepertoireError
from trapscan.pgn import Scanner, Tags, cut, tag_values
from trapscan.pgn.start import OtherVariant, Refused, start_of
from trapscan.repertoire.collect import Collector, LimitReached
from trapscan.repertoire.movetext import Movetext

PLAYERS = ("White", "Black")


class PgnReader:
    """Reads one PGN file into a collector: a `trapscan.pgn.Sink`."""

    exact = True

    def __init__(self, collector: Collector) -> None:
        self._collector = collector
        self._begun = False
        self._game: Movetext | None = None  # None where the game's start position cannot be used
        self._start_fen = chess.STARTING_FEN
        self._name = self._side = ""

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
        self._name, self._side = _name(values), side_of_tags(values)
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
            self._collector.end_game(self._game.root, self._start_fen, self._name, side=self._side)
        self._begun, self._game = False, None

    def passed_over(self, text: str) -> None:
        """See Sink."""
        self._collector.problem(text, game=self._collector.number + (not self._begun))


def _name(tags: dict[str, str]) -> str:
    """What a person would call the game: its event, or its players."""
    parts = [tags.get("Event", ""), " - ".join(filter(_told, (tags.get("White", ""), tags.get("Black", ""))))]
    return ": ".join(filter(_told, parts))[:120]


_SAYS = re.compile(
    r"\b(?:for|as|with) (white|black)\b|\b(white|black)(?:'s)? repertoire\b|^(white|black)(?: side| lines)?$", re.I
)


def side_of_tags(tags: Mapping[str, str]) -> str:
    """The side that tags say a game is told for: "white", "black", or "" where they do not say, or not one alone. Some
    programs write it as the value of a tag of their own; people write it in titles ("Black, 1...e5", "for White")."""
    said = {value.strip().lower() for name, value in tags.items() if name not in PLAYERS} & {"white", "black"}
    for title in (tags.get("Event", ""), *(tags.get(name, "") for name in PLAYERS)):
        for part in re.split(r"[:;,()|/]", title):
            said.update(side.lower() for found in _SAYS.findall(part.strip()) for side in found if side)
    return said.pop() if len(said) == 1 else ""


def _told(value: str) -> bool:
    return value.strip("? ") != ""
