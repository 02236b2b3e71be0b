"""The one reader of PGN: bytes in, tags and tokens of one game after the other out.

What it gives goes to a `Sink`: a tree of moves (trapscan.repertoire), counts (trapscan.chance). All of them get the
same games with the same tokens, whatever the file is cut into; only legality and the meaning of moves are theirs.
Scanning goes over bytes, because all that steers PGN is ASCII: UTF-8, Latin-1 and mixtures of them need no decision for
the whole file.

A game begins with its first tag, or without tags with its first word. It ends with a result outside variations, with a
tag, or where the numbers begin again with 1. A blank line does not end it, but a blank line and an Event tag end a
comment that nobody closed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Protocol

from trapscan.pgn.text import decode, printable
from trapscan.pgn.words import MOVE, NULL, RESULTS, WRONG, read_word

MAX_TAG_VALUE = 1_000
"""Bytes of a tag's value that are looked at."""
MAX_TAGS = 100
MAX_COMMENT_BYTES = 20_000
"""Bytes of a comment that a sink is given."""
MAX_GAME_BYTES = 64 * 1024 * 1024
"""Bytes of one game. The longest serious games on record have some 300 moves: three kilobytes."""

TOKEN = re.compile(rb"\{[^}]*\}?|;[^\r\n]*|(?<![^\r\n])%[^\r\n]*|[()}\]]|\[[^\]\r\n]*\]?|\$[0-9]*|[^\s(){}\[\];$]+")
"""A comment (closed or not), the rest of a line, an escaped line, a bracket, a NAG or a word."""
TAG = re.compile(rb'\[[ \t]*([A-Za-z0-9][A-Za-z0-9_+#=:-]{0,254})[ \t]+"')

Tags = list[tuple[bytes, bytes]]
"""Names and values as written, in the order of the file."""

_TAG_LINE = re.compile(TAG.pattern + rb'([^"\\\r\n]{0,%d})"[ \t]*\]\s*' % MAX_TAG_VALUE)
_TAG_AT_LINE_START = re.compile(rb"(?:\A|[\r\n])[ \t]*(?=" + TAG.pattern + rb")")
_STRING_END = re.compile(rb'(?<!\\)(?:\\\\)*+(?P<quote>")[ \t]*\]')
_PLAIN_END = re.compile(rb'(?P<quote>")[ \t]*\]')
_ESCAPED = re.compile(r"\\([\\\"])")
_LINE_END = re.compile(rb"[\r\n]")
_COMMENT = re.compile(rb"\{[^}]*\}")
_COMMENT_END = re.compile(rb'\}|(?:\r\n|\r|\n)[ \t]*(?:\r\n|\r|\n)[ \t]*(?=\[[ \t]*Event[ \t]+")')
_NOT_PLAIN = re.compile(rb"[(){}\[\];$%]|\s0*1\.(?!\.)")
_FIRST_NUMBER = re.compile(rb"0*1\.(?!\.)")
_MOVES = frozenset({MOVE, NULL, WRONG})


class Sink(Protocol):
    """Takes what the scanner finds, one game after the other."""

    exact: bool
    """Whether comments are wanted, and where each token stands. Without, plain games are read three times as fast."""

    def begin(self, tags: Tags) -> None:
        """A game begins; `tags` has at most MAX_TAGS of them."""

    def take(self, tokens: list[bytes], starts: list[int]) -> None:
        """Some of the game's tokens, as TOKEN cuts them (no escaped lines), in order; a game comes in one piece or
        several. A comment has
        its braces, or one that is cut or was not closed the first alone. `starts` are places in what was fed; empty
        where the sink is not `exact`, to which comments and NAGs may or may not come."""

    def end(self) -> None:
        """The game is over."""

    def passed_over(self, text: str) -> None:
        """Something that could not be read, in the game that has begun or else before the next one."""


class Scanner:
    """Cuts blocks of bytes into games. Blocks end where `source.blocks` ends them: at the end of a line, before its
    line feed, or (lines of more than a block) before a blank."""

    def __init__(self, sink: Sink) -> None:
        self._sink = sink
        self._tags: Tags = []
        self._playing = False  # a game has begun
        self._depth = 0  # open variations
        self._moved = False  # the game's main line has a move
        self._first_number = 1
        self._size = 0
        self._base = 0  # where the block begins in all that was fed
        self._comment: bytearray | None = None  # the beginning of a comment that is open at the end of a block
        self._comment_start = 0
        self._line_over = False  # the rest of the line is a comment or a broken tag
        self._passing = False  # the game is too long: everything up to the next tag is passed over
        self.result_at = -1
        """Where the result stands that ends the game, while the sink is told of its end; -1: it ends without one."""

    def read(self, blocks: Iterable[bytes]) -> None:
        """Everything, to the last game's end. Whatever the sink raises comes out; `close` may still be called."""
        for block in blocks:
            self.feed(block)
        self.close()

    def feed(self, data: bytes) -> None:
        """One more block."""
        at = self._begin_block(data)
        while at < len(data):
            if self._passing:
                found = _TAG_AT_LINE_START.search(data, at)
                if not found:
                    break
                at, self._passing = found.end(), False
            tag = TAG.search(data, at)
            border = tag.start() if tag else len(data)
            if at < border:
                at = self._movetext(data, at, border)
            if tag and at == border:
                at = self._read_tags(data, tag)
        self._base += len(data)

    def close(self) -> None:
        """No more blocks: the last game ends."""
        if self._comment is not None:
            self._end_comment(closed=False)
        self._finish()

    def _begin_block(self, data: bytes) -> int:
        """Where in the block reading goes on: after what was open at the end of the block before."""
        if self._comment is not None:
            return self._in_comment(data, 0)
        if self._line_over:
            line_end = _LINE_END.search(data)
            if not line_end:
                return len(data)
            self._line_over = False
            return line_end.start()
        return 0

    # --- games -------------------------------------------------------------------------------------------------------

    def _begin(self) -> None:
        self._playing = True
        self._sink.begin(self._tags)

    def _finish(self) -> None:
        if self._tags and not self._playing:
            self._begin()
        if self._playing:
            self._sink.end()
        self._playing = self._moved = False
        self._depth = self._size = 0
        self._tags = []

    def _give(self, tokens: list[bytes], starts: list[int]) -> None:
        if not self._playing:
            # a remark above the first move belongs to the game only where tags have opened it
            if not tokens or (not self._tags and all(token[0] in b"{;$" for token in tokens)):
                return
            self._begin()
        if tokens:
            self._sink.take(tokens, starts)

    # --- tags --------------------------------------------------------------------------------------------------------

    def _read_tags(self, data: bytes, tag: re.Match[bytes]) -> int:
        """Take the tag found and those right after it; returns where they end."""
        if self._playing:
            self._finish()
        tags, at, found = self._tags, tag.start(), _TAG_LINE.match(data, tag.start())
        while found:
            name = found[1]
            if name == b"Event" and any(before == name for before, _ in tags):
                self._finish()  # a game of tags alone
                tags = self._tags
            if len(tags) < MAX_TAGS:
                tags.append((name, found[2]))
            at = found.end()
            found = _TAG_LINE.match(data, at)
        return at if at > tag.start() else self._odd_tag(data, tag)

    def _odd_tag(self, data: bytes, tag: re.Match[bytes]) -> int:
        """A tag whose value holds quotes or backslashes, is too long or not closed. It ends at its closing quote, and
        on its line; files with a plain backslash before that quote (a folder's name, say) are common."""
        found = _LINE_END.search(data, tag.end())
        line_end = found.start() if found else len(data)
        closing = _STRING_END.search(data, tag.end(), line_end) or _PLAIN_END.search(data, tag.end(), line_end)
        end = closing.start("quote") if closing else line_end
        self._line_over = not found and not closing
        if not closing and (found or end - tag.end() <= MAX_TAG_VALUE):
            self._sink.passed_over("a tag is not closed")
            return line_end
        if tag[1] == b"Event" and any(before == b"Event" for before, _ in self._tags):
            self._finish()
        if end - tag.end() > MAX_TAG_VALUE:
            self._sink.passed_over(f"tag {tag[1].decode()} is cut after {MAX_TAG_VALUE:,} bytes")
        if len(self._tags) < MAX_TAGS:
            self._tags.append((tag[1], data[tag.end() : min(end, tag.end() + MAX_TAG_VALUE)]))
        return closing.end() if closing else line_end

    # --- movetext ----------------------------------------------------------------------------------------------------

    def _movetext(self, data: bytes, start: int, border: int) -> int:
        """Take the movetext between two tags, or a tag and a block's end; returns where it ends. That is behind
        `border` where the tag that was found there stands in a comment."""
        if not self._playing:
            self._first_number = _first_number(self._tags)
        else:
            self._size += border - start
            if self._size > MAX_GAME_BYTES:
                self._sink.passed_over(f"the game is longer than {MAX_GAME_BYTES >> 20} MiB: its rest is passed over")
                self._passing = True
                return start
        if not self._sink.exact and self._plain(data, start, border):
            return border
        return self._tokens(data, start, border)

    def _plain(self, data: bytes, start: int, border: int) -> bool:
        """The rest of one game without variations, NAGs and other oddities, taken at once; False: there are some."""
        text = data[start:border]
        commented = b"{" in text
        if commented:
            text = _COMMENT.sub(b" ", text)
        if self._depth or _NOT_PLAIN.search(text) or (self._moved and _FIRST_NUMBER.match(text)):
            return False
        words = text.split()
        over = bool(words) and words[-1] in RESULTS
        if over:
            words.pop()
        if not RESULTS.isdisjoint(words):
            return False
        if words:
            self._give(words, [])
            self._moved = self._moved or any(read_word(word).kind in _MOVES for word in words)
        elif commented and self._tags and not self._playing:
            self._begin()
        if over:
            self._finish()
        return True

    def _tokens(self, data: bytes, start: int, border: int) -> int:
        """Read movetext of any kind, one token after the other, as far as `border`."""
        base = self._base
        tokens: list[bytes] = []
        starts: list[int] = []
        end = start
        for found in TOKEN.finditer(data, start, border):
            token, end = found[0], found.end()
            first = token[0]
            if first == 0x28:  # (
                self._depth += 1
            elif first == 0x29:  # )
                self._depth -= self._depth > 0
            elif first == 0x5B:  # [
                self._give(tokens, starts)
                tokens, starts = [], []
                self._sink.passed_over(f"not a tag: {printable(decode(token[:60]))}")
                continue
            elif first in b"{;$" or (first == 0x25 and _at_line_start(data, found.start())):
                if end == border and (first != 0x7B or token[-1] != 0x7D):
                    self._give(tokens, starts)
                    return self._run_on(data, found.start(), border)
                if first == 0x25:
                    continue
            elif not self._depth:
                if token in RESULTS:
                    self._give(tokens, starts)
                    tokens, starts = [], []
                    self.result_at = base + found.start()
                    self._finish()
                    self.result_at = -1
                    continue
                if self._moved and self._first_number == 1 and _FIRST_NUMBER.match(token):
                    self._give(tokens, starts)
                    tokens, starts = [], []
                    self._finish()  # games without tags and results, one after the other
                elif not self._moved:
                    self._moved = read_word(token).kind in _MOVES
            tokens.append(token)
            starts.append(base + found.start())
        self._give(tokens, starts)
        return border

    def _run_on(self, data: bytes, start: int, border: int) -> int:
        """A comment that reaches `border`, where a tag or the end of the block is; returns where it ends."""
        if data[start] == 0x7B:
            self._comment, self._comment_start = bytearray(), self._base + start
            return self._in_comment(data, start + 1)
        end = border
        if data[start] != 0x24:
            found = _LINE_END.search(data, border)
            end = found.start() if found else len(data)
            self._line_over = not found
        if data[start] != 0x25:
            self._give([data[start : min(end, start + MAX_COMMENT_BYTES)]], [self._base + start])
        return end

    def _in_comment(self, data: bytes, at: int) -> int:
        """Go on with the comment that is open; returns where it ends, or the end of the block."""
        kept = self._comment
        assert kept is not None
        found = _COMMENT_END.search(data, at)
        end = found.start() if found else len(data)
        kept += data[at : min(end, at + MAX_COMMENT_BYTES - len(kept))]
        if not found:
            return len(data)
        self._end_comment(closed=found[0] == b"}")
        return found.end()

    def _end_comment(self, *, closed: bool) -> None:
        kept, self._comment = bytes(self._comment or b""), None
        token = b"{%b}" % kept if closed and len(kept) < MAX_COMMENT_BYTES else b"{" + kept.rstrip()
        self._give([token], [self._comment_start])
        if not closed:
            self._sink.passed_over("a comment is not closed: it ends with the game")


def comment_end(data: bytes, start: int) -> int:
    """Where the comment ends that begins at `start`, as a Scanner that is fed all of `data` sees it; -1 where nobody
    closed it."""
    found = _COMMENT_END.search(data, start + 1)
    return found.end() if found and found[0] == b"}" else -1


def tag_values(tags: Tags) -> dict[str, str]:
    """Names and values as text; of two tags with one name the last counts."""
    return {
        name.decode(): _ESCAPED.sub(r"\1", decode(value)) if b"\\" in value else decode(value) for name, value in tags
    }


def _first_number(tags: Tags) -> int:
    """The number of the game's first move."""
    fen = next((value for name, value in reversed(tags) if name == b"FEN"), b"").split()
    return int(fen[5]) if len(fen) == 6 and fen[5].isdigit() and len(fen[5]) < 7 else 1


def _at_line_start(data: bytes, position: int) -> bool:
    return position == 0 or data[position - 1] in b"\r\n"
