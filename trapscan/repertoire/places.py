"""Where in a file's bytes each move ends, with all that belongs to it: there a variation can be put in its place."""

from __future__ import annotations

import re

from trapscan.pgn import Scanner, Tags, comment_end, cut
from trapscan.repertoire.collect import Collector, LimitReached
from trapscan.repertoire.movetext import Movetext
from trapscan.repertoire.pgn import PgnReader

_NUMBER = re.compile(rb"[0-9]*\.*\Z")
_BORDERS = b" \t\r\n\v\f(){}"

NOWHERE = -1


class PlacedReader(PgnReader):
    """Reads one PGN file into a collector, and remembers places: for each node, by its number in the forest, where its
    NAGs, comments and the variations in its place end; for the root of a game that holds no move, where its result
    stands. Of moves that are written twice it is the first time. What has no place is left out: where a game without a
    move has no result, where a comment is not closed, or where words stand so close that nothing fits between them."""

    def __init__(self, collector: Collector, data: bytes) -> None:
        super().__init__(collector)
        self.places: dict[int, int] = {}
        self._data = data
        self._scanner = Scanner(self)
        self._here = NOWHERE  # the node that further signs belong to
        self._before: list[int] = []  # the same of the variations' parents

    def read_all(self) -> None:
        """Read everything; a limit on games or moves ends it."""
        try:
            self._scanner.read(cut(self._data))
        except LimitReached:
            if self._begun:
                self.end()

    def begin(self, tags: Tags) -> None:
        """See Sink."""
        super().begin(tags)
        self._here, self._before = NOWHERE, []

    def take(self, tokens: list[bytes], starts: list[int]) -> None:
        """See Sink."""
        game = self._game
        if game is None:
            return
        for token, start in zip(tokens, starts, strict=True):
            before = game.node
            game.take(token)
            self._look(game, token, start, moved=game.node != before)

    def _look(self, game: Movetext, token: bytes, start: int, *, moved: bool) -> None:
        first = token[0]
        if first == 0x28:  # (
            self._before.append(self._here)
            self._here = NOWHERE
            return
        if first == 0x29:  # )
            self._here = self._before.pop() if self._before else NOWHERE
        elif first not in b"{;$":
            if moved:
                self._here = NOWHERE if game.node in self.places else game.node
            elif game.broken:
                self._here = NOWHERE
            elif _NUMBER.match(token):
                return
        if self._here != NOWHERE:
            self._end_at(start, token)

    def _end_at(self, start: int, token: bytes) -> None:
        """What belongs to the node we are at ends with this token."""
        end = start + len(token)
        if token[0] == 0x7B and not token.endswith(b"}"):
            end = comment_end(self._data, start)
        after = self._data[end : end + 1]
        if end < 0 or not (after in _BORDERS or token[-1:] in b"})"):
            self.places.pop(self._here, None)
            self._here = NOWHERE
        else:
            self.places[self._here] = end

    def end(self) -> None:
        """See Sink."""
        game, at = self._game, self._scanner.result_at
        if game is not None and len(self._collector.forest) == game.root + 1 and at >= 0:
            self.places[game.root] = at
        super().end()


__all__ = ["PlacedReader"]
