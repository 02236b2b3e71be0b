"""Movetext: the moves, variations, comments and NAGs of one game, token by token, without recursion."""

from __future__ import annotations

from trapscan.pgn import words
from trapscan.pgn.text import decode
from trapscan.repertoire.collect import MAX_COMMENT, MAX_PLY, Collector

MAX_NAG = 255


class Movetext:
    """The state while one game is read: `take` gets the tokens in order, `finish` closes the game."""

    def __init__(self, collector: Collector, start_fen: str) -> None:
        self.collector = collector
        self.root = collector.begin_game(start_fen)
        self._node = self.root
        self._broken = False  # the line being read cannot go on: what follows it is passed over
        self._fresh_break = False  # ... and its wrong move was the last thing read: a variation may replace it
        self._levels: list[tuple[int, bool]] = []
        self._skipped_levels = 0
        self._intro = ""  # a comment at the beginning of a variation belongs to the move it leads to
        self._opened = False
        self._long = False

    @property
    def depth(self) -> int:
        """How many variations are open."""
        return len(self._levels) + self._skipped_levels

    @property
    def node(self) -> int:
        """The move read last, in the line being read."""
        return self._node

    @property
    def broken(self) -> bool:
        """Whether the line being read cannot go on."""
        return self._broken

    def take(self, token: bytes) -> None:
        """One token, as trapscan.pgn cuts them."""
        first = token[0]
        if first == 0x28:  # (
            self.open()
        elif first == 0x29:  # )
            self.close()
        elif first == 0x7B:  # {
            self.comment(token[1:-1] if token[-1] == 0x7D else token[1:])
        elif first == 0x3B:  # ;
            self.comment(token[1:])
        elif first == 0x24:  # $
            self.nag(int(token[1:8] or b"0"))
        else:
            self.word(token)

    def open(self) -> None:
        """An opening parenthesis: the moves that follow replace the last one."""
        self._opened = True
        if self._skipped_levels or (self._broken and not self._fresh_break):
            self._skipped_levels += 1
            return
        if not self._broken and self._node == self._line_start():
            self.collector.problem("a variation stands before any move that it could replace", ply=self._ply() + 1)
            self._skipped_levels += 1
            return
        self._levels.append((self._node, self._broken))
        if not self._broken:
            self._node = self.collector.forest.parents[self._node]
        self._broken = self._fresh_break = False

    def close(self) -> None:
        """A closing parenthesis."""
        self._opened = False
        self._intro = ""
        if self._skipped_levels:
            self._skipped_levels -= 1
        elif self._levels:
            self._node, self._broken = self._levels.pop()
            self._fresh_break = self._broken
        else:
            self.collector.problem("a closing parenthesis without an opening one is passed over", ply=self._ply())

    def comment(self, raw: bytes) -> None:
        """A comment without its braces."""
        if self._skipped_levels or self._broken:
            return
        text = " ".join(decode(raw[: 4 * MAX_COMMENT]).split())
        if len(raw) > 4 * MAX_COMMENT or len(text) > MAX_COMMENT:
            self.collector.problem(f"a comment is cut after {MAX_COMMENT:,} characters", ply=self._ply())
            text = text[:MAX_COMMENT]
        if not text:
            return
        if self._opened:
            self._intro = _join(self._intro, text)
        else:
            comments = self.collector.forest.comments
            comments[self._node] = _join(comments.get(self._node, ""), text)

    def nag(self, number: int) -> None:
        """A numeric annotation glyph on the last move."""
        if self._skipped_levels or self._broken or self._opened or self._node == self.root:
            return
        if number > MAX_NAG:
            self.collector.problem(f"NAG ${number} does not exist", ply=self._ply())
            return
        have = self.collector.forest.nags.get(self._node, ())
        if number not in have:
            self.collector.forest.nags[self._node] = (*have, number)

    def word(self, raw: bytes) -> None:
        """A move, with or without its number and signs. Everything else breaks the line off, and is reported."""
        if self._skipped_levels or (self._broken and not self._fresh_break):
            return
        word = words.read_word(raw)
        if word.kind == words.MOVE:
            if self._broken:
                self._fresh_break = False
                return
            self._move(word.text)
        elif word.kind != words.NOTHING:
            self._break(words.why_no_word(word, raw))
        if word.nag and not self._broken:
            self.nag(word.nag)

    def finish(self) -> None:
        """The game's text is over."""
        if self.depth:
            what = "a variation is" if self.depth == 1 else f"{self.depth:,} variations are"
            self.collector.problem(f"{what} not closed at the end of the game", ply=self._ply())

    def _move(self, text: str) -> None:
        ply = self._ply()
        if ply >= MAX_PLY:
            if not self._long:
                self.collector.problem(f"the line is cut after {MAX_PLY} plies", ply=MAX_PLY)
            self._long = self._broken = True
            return
        board = self.collector.walker.go(self._node)
        try:
            move = words.parse_move(board, text)
        except ValueError as exc:
            self._break(words.why_no_move(text, board, exc))
            return
        self._node = self.collector.add_move(self._node, move)
        if self._intro:
            comments = self.collector.forest.comments
            comments[self._node] = _join(self._intro, comments.get(self._node, ""))
            self._intro = ""
        self._opened = False

    def _break(self, text: str) -> None:
        if not self._broken:
            self.collector.problem(text, ply=self._ply() + 1)
            self._broken = self._fresh_break = True
            self._opened = False
        else:
            self._fresh_break = False

    def _ply(self) -> int:
        return self.collector.forest.plies[self._node]

    def _line_start(self) -> int:
        """The node before the first move of the variation being read, or the root."""
        if not self._levels:
            return self.root
        node, broken = self._levels[-1]
        return node if broken else self.collector.forest.parents[node]


def _join(first: str, second: str) -> str:
    return f"{first} {second}".strip()[:MAX_COMMENT]
