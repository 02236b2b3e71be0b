"""What trapscan has put into somebody's PGN: how it is marked, and how it is taken out again.

It is a variation whose first comment holds the mark, or a comment from the mark to END. It was put in with one line end
or blank before it, which goes with it, so that the rest comes back byte for byte. A mark is a command in a comment, as
the PGN standard's supplement of 2001 has them for clocks (from memory): programs that do not know it keep it. Some of
them join neighbouring comments, hence END.
"""

from __future__ import annotations

import re

from trapscan.pgn.scanner import Scanner, Tags
from trapscan.pgn.source import cut

MARK = b"[%trapscan"
END = "[%trapscan]"
"""Where a comment of ours ends."""

_SEPARATOR = re.compile(rb"(?:\r\n|[ \t\r\n])\Z")
_PIECE = re.compile(rb"\s*\[%trapscan\s[^\]]*\].*?(?:\[%trapscan\]|\Z)", re.DOTALL)


def mark(identifier: str) -> str:
    """The mark of what belongs to the finding with this id."""
    return f"{MARK.decode()} {identifier}]"


def without_ours(data: bytes) -> bytes:
    """The file without what is marked as ours; `data` as `normalize` gives it."""
    if MARK not in data:
        return data
    found = _Ours(data)
    Scanner(found).read(cut(data))
    kept, at = [], 0
    for start, end in found.spans:
        kept.append(data[at:start])
        at = end
    return b"".join([*kept, data[at:]])


class _Ours:
    """A sink that finds the bytes that are ours, as pairs of first and last + 1, in order."""

    exact = True

    def __init__(self, data: bytes) -> None:
        self.spans: list[tuple[int, int]] = []
        self._data = data
        self._open: list[int] = []  # where the variations begin that are open
        self._opened = False  # a variation has just begun
        self._depth = 0  # so many are open of the one that is ours; 0: none
        self._start = self._end = 0

    def begin(self, tags: Tags) -> None:
        """See Sink."""
        self._open, self._opened, self._depth = [], False, 0

    def take(self, tokens: list[bytes], starts: list[int]) -> None:
        """See Sink."""
        for token, start in zip(tokens, starts, strict=True):
            self._end = start + len(token)
            opened, self._opened = self._opened, token == b"("
            if self._opened:
                self._open.append(start)
                self._depth += self._depth > 0
            elif token == b")":
                if self._open:
                    self._open.pop()
                if self._depth == 1:
                    self._cut_out(self._start)
                self._depth -= self._depth > 0
            elif token[0] == 0x7B and not self._depth and MARK in token:
                if opened:
                    self._depth, self._start = 1, self._open[-1]
                else:
                    self._comment(token, start)

    def _comment(self, token: bytes, start: int) -> None:
        """One that is ours, or that another program has joined to comments of the owner's."""
        text = token[1:-1] if token.endswith(b"}") else token[1:]
        pieces = [found.span() for found in _PIECE.finditer(text)]
        if not _PIECE.sub(b"", text).strip():
            self._cut_out(start)
        else:
            self.spans += [(start + 1 + first, start + 1 + last) for first, last in pieces]

    def _cut_out(self, start: int) -> None:
        before = _SEPARATOR.search(self._data, max(0, start - 2), start)
        self.spans.append((before.start() if before else start, self._end))

    def end(self) -> None:
        """See Sink."""
        if self._depth:  # it was not closed: it ends with the game
            self._cut_out(self._start)
        self._depth = 0

    def passed_over(self, text: str) -> None:
        """See Sink."""


__all__ = ["END", "MARK", "mark", "without_ours"]
