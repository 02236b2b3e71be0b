"""Movetext: the moves, variations, comments and NAGs of one game, token by token, without recursion.

python-chess reads the moves (SAN) and knows their legality; the scanning is our own, because its PGN reader copies the
board with its whole history at each variation (quadratic in the depth of nesting), drops words that it does not
understand without a sign, and takes an empty line for the end of a game.
"""

from __future__ import annotations

import re

import chess

from trapscan.repertoire.collect import MAX_COMMENT, MAX_PLY, Collector, printable
from trapscan.repertoire.text import decode, plain_word

TOKEN = re.compile(rb"[({;\[]|\)|\}|\]|\$[0-9]*|[^\s(){}\[\];$]+")
TAG = re.compile(rb"\[\s*([A-Za-z0-9][A-Za-z0-9_+#=:-]{0,254})\s+\"")
RESULTS = frozenset({b"1-0", b"0-1", b"1/2-1/2", b"*", b"1/2"})
MAX_WORD = 24
MAX_NAG = 255

_NUMBERED = re.compile(rb"(\d{1,6})(\.*)(.*)", re.DOTALL)
_ATTACHED_NAGS = {b"!": 1, b"?": 2, b"!!": 3, b"??": 4, b"!?": 5, b"?!": 6}
_SUFFIX = re.compile(rb"[!?]+$")
# Signs that people write between moves without meaning a move; trade signs, common practice
_SIGNS = re.compile(rb"(?:[-+=/~#!?]+|e\.p\.?|ep|N|D|ch|dbl|mate)$")
_FOREIGN = re.compile(rb"[A-Z][a-h1-8]{0,2}[x:]?[a-h][1-8]")
_UCI = re.compile(rb"[a-h][1-8][a-h][1-8][nbrq]?$")
_NULL_MOVES = frozenset({b"--", b"Z0", b"0000", b"@@@@", b"null"})


class Movetext:
    """The state while one game is read. `feed_*` methods take the tokens in order; `finish` closes the game."""

    def __init__(self, collector: Collector, start_fen: str) -> None:
        self.collector = collector
        self.root = collector.begin_game(start_fen)
        self.first_number = collector.walker.board.fullmove_number
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
    def moved(self) -> bool:
        """Whether the main line has left the start position or broken off."""
        return self._node != self.root or self._broken

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

    def word(self, word: bytes) -> None:
        """A move, with or without its number and signs. Everything else breaks the line off, and is reported."""
        if self._skipped_levels or (self._broken and not self._fresh_break):
            return
        if word in RESULTS:
            return  # inside a variation
        if len(word) > MAX_WORD:
            self._break(f"{printable(word[:80].decode('latin-1'), 20)} is not a move")
            return
        if not word.isascii():
            word = plain_word(word)
        if word[:1].isdigit() and word[:3] not in (b"0-0", b"000"):
            numbered = _NUMBERED.match(word)
            if numbered and (numbered[2] or not numbered[3]):
                word = numbered[3]
        word = word.lstrip(b".")
        if not word:
            return
        nags: tuple[int, ...] = ()
        if word[-1:] in b"!?":
            suffix = _SUFFIX.search(word)
            assert suffix
            nags = (_ATTACHED_NAGS.get(suffix[0], 0),)
            word = word[: suffix.start()]
        if word in _NULL_MOVES:
            self._break("a null move is no move of chess")
        elif word and not _SIGNS.match(word):
            if self._broken:
                self._fresh_break = False
                return
            self._move(word)
        for number in nags:
            if number and not self._broken:
                self.nag(number)

    def finish(self) -> None:
        """The game's text is over."""
        if self.depth:
            what = "a variation is" if self.depth == 1 else f"{self.depth:,} variations are"
            self.collector.problem(f"{what} not closed at the end of the game", ply=self._ply())

    def _move(self, word: bytes) -> None:
        ply = self._ply()
        if ply >= MAX_PLY:
            if not self._long:
                self.collector.problem(f"the line is cut after {MAX_PLY} plies", ply=MAX_PLY)
            self._long = self._broken = True
            return
        board = self.collector.walker.go(self._node)
        try:
            move = parse_move(board, word)
        except ValueError as exc:
            self._break(_what_is_wrong(word, board, exc))
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


def parse_move(board: chess.Board, word: bytes) -> chess.Move:
    """A move in SAN (also long, also with zeros for castling), or in UCI. Raises ValueError."""
    text = word.decode("latin-1").replace("0", "O") if word[:2] == b"0-" else word.decode("latin-1")
    try:
        return board.parse_san(text)
    except ValueError:
        if _UCI.match(word):
            return board.parse_uci(text)
        raise


def _what_is_wrong(word: bytes, board: chess.Board, exc: ValueError) -> str:
    shown = printable(word.decode("latin-1"), 20)
    last = f" after {_last_move(board)}" if board.move_stack else ""
    kind = str(exc).partition(" ")[0]
    if kind == "ambiguous":
        return f"{shown} is ambiguous{last}: two pieces could make it"
    if kind == "illegal":
        return f"{shown} is illegal{last}"
    hint = " (piece letters must be English: K Q R B N)" if _FOREIGN.match(word) else ""
    return f"{shown} is not a move{hint}"


def _last_move(board: chess.Board) -> str:
    move = board.pop()
    dots = "." if board.turn == chess.WHITE else "..."
    text = f"{board.fullmove_number}{dots}{board.san(move)}"
    board.push(move)
    return text


def _join(first: str, second: str) -> str:
    return f"{first} {second}".strip()[:MAX_COMMENT]
