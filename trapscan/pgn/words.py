"""Words of movetext: which is a move, which only a number or a sign, and what a move in SAN means on a board."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import NamedTuple

import chess

from trapscan.pgn.moves import plain_move
from trapscan.pgn.text import plain_word, printable

RESULTS = frozenset({b"1-0", b"0-1", b"1/2-1/2", b"*", b"1/2"})
MAX_WORD = 24

NOTHING, MOVE, NULL, WRONG = range(4)
"""Kinds of words: a number, dots or a sign; a move (legal or not); a null move; too long to be any of these."""

_NUMBERED = re.compile(rb"(\d{1,6})(\.*)(.*)", re.DOTALL)
_ATTACHED_NAGS = {b"!": 1, b"?": 2, b"!!": 3, b"??": 4, b"!?": 5, b"?!": 6}
_SUFFIX = re.compile(rb"[!?]+\Z")
# Signs that people write between moves without meaning a move; trade signs, common practice
_SIGNS = re.compile(rb"(?:[-+=/~#!?]+|e\.p\.?|ep|N|D|ch|dbl|mate)\Z")
_FOREIGN = re.compile(r"[A-Z][a-h1-8]{0,2}[x:]?[a-h][1-8]")
_UCI = re.compile(r"[a-h][1-8][a-h][1-8][nbrq]?\Z")
_NULL_MOVES = frozenset({b"--", b"Z0", b"0000", b"@@@@", b"null"})


class Word(NamedTuple):
    """A word read: its kind, the move without number and signs (empty where it is none), the NAG of a `!` or `?` that
    is attached to it (0: none)."""

    kind: int
    text: str
    nag: int


def read_word(raw: bytes) -> Word:
    """What a word of movetext is. Results, which end a game or mean nothing inside a variation, are the caller's."""
    if len(raw) > MAX_WORD:
        return Word(WRONG, "", 0)
    return _read_word(raw)


@lru_cache(maxsize=20_000)
def _read_word(word: bytes) -> Word:
    if not word.isascii():
        word = plain_word(word)
    if word[:1].isdigit() and word[:3] not in (b"0-0", b"000"):
        numbered = _NUMBERED.match(word)
        if numbered and (numbered[2] or not numbered[3]):
            word = numbered[3]
    word = word.lstrip(b".")
    nag = 0
    if word[-1:] in b"!?" and (suffix := _SUFFIX.search(word)):
        nag = _ATTACHED_NAGS.get(suffix[0], 0)
        word = word[: suffix.start()]
    if word in _NULL_MOVES:
        return Word(NULL, "", 0)
    if not word or word in RESULTS or _SIGNS.match(word):
        return Word(NOTHING, "", nag)
    text = word.decode("latin-1")
    return Word(MOVE, text.replace("0", "O") if word[:2] == b"0-" else text, nag)


def parse_move(board: chess.Board, text: str) -> chess.Move:
    """A move in SAN (also long), or in UCI; never a null move. Raises ValueError."""
    move = plain_move(board, text)
    return _any_move(board, text) if move is None else move


def _any_move(board: chess.Board, text: str) -> chess.Move:
    try:
        move = board.parse_san(text)
    except ValueError:
        if not _UCI.match(text):
            raise
        move = board.parse_uci(text)
    if not move:
        raise ValueError("invalid: a null move")
    return move


def why_no_move(text: str, board: chess.Board, exc: ValueError) -> str:
    """Words for what `parse_move` raised; the board may have moves on its stack, the last of which is told."""
    shown = printable(text, 20)
    last = f" after {_last_move(board)}" if board.move_stack else ""
    kind = str(exc).partition(" ")[0]
    if kind == "ambiguous":
        return f"{shown} is ambiguous{last}: two pieces could make it"
    if kind == "illegal":
        return f"{shown} is illegal{last}"
    hint = " (piece letters must be English: K Q R B N)" if _FOREIGN.match(text) else ""
    return f"{shown} is not a move{hint}"


def why_no_word(word: Word, raw: bytes) -> str:
    """Words for a word of movetext that is a null move or too long."""
    if word.kind == NULL:
        return "a null move is no move of chess"
    return f"{printable(raw[:80].decode('latin-1'), 20)} is not a move"


def _last_move(board: chess.Board) -> str:
    move = board.pop()
    dots = "." if board.turn == chess.WHITE else "..."
    text = f"{board.fullmove_number}{dots}{board.san(move)}"
    board.push(move)
    return text


def line_of_moves(text: str) -> chess.Board:
    """The board after a line of moves from the initial position, the moves on its stack: SAN or UCI, with numbers and
    signs or without, as far as a result or the end. Raises ValueError at the first word that is neither."""
    board = chess.Board()
    for raw in text.encode().split():
        if raw in RESULTS:
            break
        word = read_word(raw)
        if word.kind == MOVE:
            try:
                board.push(parse_move(board, word.text))
            except ValueError as exc:
                raise ValueError(why_no_move(word.text, board, exc)) from exc
        elif word.kind != NOTHING:
            raise ValueError(why_no_word(word, raw))
    return board
