"""Evidence from games: how often each move was played in a position, from PGN files and Polyglot books."""

from __future__ import annotations

import bz2
import gzip
import re
import zlib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import IO

import chess
import chess.polyglot
import msgspec

from trapscan.chance.evidence import PROBLEMS_KEPT, Evidence, answers_to
from trapscan.chance.wanted import Wanted, wanted_positions
from trapscan.contract import Problem
from trapscan.errors import InputError

_TAG = re.compile(r'\[(\w+)\s+"((?:[^"\\]|\\.)*)"\s*\]')
_TOKEN = re.compile(r"\{[^}]*(?:\}|\Z)|;[^\n]*|\(|\)|\$\d+|[^\s(){};]+")
_NUMBER = re.compile(r"^\d+\.*")
_RESULTS = frozenset(("1-0", "0-1", "1/2-1/2", "*"))
NODES_KEPT = 50_000
"""Positions a worker keeps so that equal beginnings are parsed once (about 2 KB each)."""

_SPLIT = 1 << 22
"""Bytes of a plain PGN one worker reads at a time."""

_TELL_EVERY = 500
"""Games between two reports of progress inside a piece."""

Tell = Callable[[int], object]
"""Told of progress: so many more bytes of the files are done."""

Piece = tuple[Path, int, int]
"""A file, and the bytes from here to there (0: to the end)."""

Spread = Callable[[Callable[[Piece], Evidence], Sequence[Piece]], Iterable[Evidence]]
"""Applies a function to every piece, in other processes, say: the results in the order of the pieces."""


def count_games(
    files: Sequence[Path],
    positions: Collection[str],
    *,
    player: str | None = None,
    answers: bool = False,
    max_ply: int = 40,
    spread: Spread = map,
    tell: Tell | None = None,
) -> Evidence:
    """Counts of the moves played in `positions` (EPD strings) over all games of PGN files (.pgn, .gz, .bz2) and
    Polyglot books (.bin, whose weights stand for counts). With `answers`, what was played after each of these moves
    is counted too, under `evidence.answers_to`.

    With `player`, only moves of that player count: the name as in the tags, capitals aside. Only the first `max_ply`
    plies are read. A game that breaks off counts up to there. The work is done by `spread`, whatever it is with the
    same result. Raises InputError on a file that cannot be read or holds no games, and where no game has the player.
    """
    wanted = frozenset(positions)
    work: list[Piece] = []
    result = Evidence()
    for path in files:
        if path.suffix.lower() == ".bin":
            if player is not None:
                raise InputError(f"the book '{path.name}' knows no names: leave it out, or the player")
            result.merge(_count_book(path, wanted, answers))
            if tell is not None:
                tell(path.stat().st_size)
        else:
            work += _pieces(path)
    by_file: dict[Path, Evidence] = {}
    count = partial(_count_piece, wanted=wanted, player=player, answers=answers, max_ply=max_ply)
    if len(work) < 2 or spread is map:
        parts: Iterable[Evidence] = map(partial(count, tell=tell), work)
    else:
        parts = spread(count, work)
    for (path, start, end), part in zip(work, parts, strict=True):
        so_far = by_file.setdefault(path, Evidence())
        part.problems = [msgspec.structs.replace(p, game=p.game + so_far.games) for p in part.problems]
        so_far.merge(part)
        if tell is not None and end > start:
            tell(end - start)
    for path, found in by_file.items():
        if not found.games or found.unread == found.games:
            first = f" (first: {found.problems[0].text})" if found.problems else ""
            raise InputError(f"no game can be read in '{path.name}'{first}; PGN, .pgn.gz, .pgn.bz2 or .bin is wanted")
        result.merge(found)
    if player is not None and not result.theirs:
        names = ", ".join(path.name for path in files)
        raise InputError(f"no game of '{player}' in {names}: write the name as the games' White and Black tags do")
    return result


def _pieces(path: Path) -> list[Piece]:
    """A plain file in byte ranges; a compressed one whole (end 0: to the end)."""
    try:
        size = path.stat().st_size
        with path.open("rb"):
            pass
    except OSError as exc:
        raise InputError(f"cannot read the games in '{path.name}': {exc.strerror}") from exc
    if path.suffix.lower() in (".gz", ".bz2"):
        return [(path, 0, 0)]
    return [(path, at, min(at + _SPLIT, size)) for at in range(0, max(size, 1), _SPLIT)]


def _unpacked(path: Path, raw: IO[bytes]) -> IO[bytes]:
    suffix = path.suffix.lower()
    return gzip.GzipFile(fileobj=raw) if suffix == ".gz" else bz2.BZ2File(raw) if suffix == ".bz2" else raw  # type: ignore[return-value]


def _count_piece(
    piece: Piece,
    *,
    wanted: frozenset[str],
    player: str | None,
    answers: bool,
    max_ply: int,
    tell: Tell | None = None,
) -> Evidence:
    path, start, end = piece
    counter = _Counter(wanted_positions(wanted), player.casefold().strip() if player else None, answers, max_ply)
    result = counter.result
    told = 0
    try:
        with path.open("rb") as raw:
            for tags, text in _games(_unpacked(path, raw), start, end):
                problem = counter.game(tags, text)
                if problem is not None:
                    ply, what = problem
                    result.broken += 1
                    result.unread += ply == 0
                    if len(result.problems) < PROBLEMS_KEPT:
                        result.problems.append(Problem(file=path.name, game=result.games, ply=ply, text=what))
                if tell is not None and not end and result.games % _TELL_EVERY == 0:
                    here = raw.tell()
                    tell(here - told)
                    told = here
            if tell is not None and not end:
                tell(raw.tell() - told)
    except (OSError, EOFError, zlib.error) as exc:
        raise InputError(f"cannot read the games in '{path.name}': {getattr(exc, 'strerror', None) or exc}") from exc
    return result


def _games(file: IO[bytes], start: int, end: int) -> Iterator[tuple[dict[str, str], str]]:
    """Tags and move text of the games whose first tag line begins in [start, end); end 0: all of the file."""
    if start:
        file.seek(start - 1)
        file.readline()  # the line that straddles the border belongs to the piece before
    tags: dict[str, str] = {}
    text: list[str] = []
    in_tags = False
    skipping = start > 0  # moves of a game that began in the piece before
    at = file.tell() if start else 0
    inside = False  # a comment that runs over lines may hold anything, tags too
    blank = True
    for raw in file:
        here = at
        at += len(raw)
        if raw[:1] == b"[" and (not inside or (blank and _starts_game(raw))):
            inside = blank = False
            if not in_tags:
                if tags and not skipping:
                    yield tags, "".join(text)
                if end and here >= end:
                    return
                if skipping and not _starts_game(raw):
                    continue  # the border fell inside a game's tags: the piece before has it
                tags, text, in_tags, skipping = {}, [], True, False
            if match := _TAG.match(_decoded(raw)):
                tags[match[1]] = match[2]
        elif not raw.strip():
            blank = True
        elif not skipping:
            if not tags and not in_tags:
                tags = {"Event": "?"}
            in_tags = blank = False
            line = _decoded(raw)
            text.append(line)
            inside = _inside_comment(line, inside)
    if tags and not skipping:
        yield tags, "".join(text)


def _inside_comment(line: str, inside: bool) -> bool:
    """Whether a brace comment is open at the end of the line; braces do not nest."""
    at = 0
    while True:
        found = line.find("}" if inside else "{", at)
        if found < 0:
            return inside
        if not inside and 0 <= line.find(";", at) < found:
            return False
        at, inside = found + 1, not inside


def _starts_game(raw: bytes) -> bool:
    return raw.startswith(b"[Event ")


def _decoded(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


class _Node:
    """A position that games share, with what became of each move text there: equal beginnings are parsed once."""

    __slots__ = ("alive", "board", "epd", "moves")

    def __init__(self, board: chess.Board, wanted: Wanted) -> None:
        self.board, self.epd, self.alive = board, wanted.epd(board), wanted.may_come(board)
        self.moves: dict[str, tuple[str, _Node]] = {}


class _Counter:
    """Reads games one by one into `result`."""

    def __init__(self, wanted: Wanted, player: str | None, answers: bool, max_ply: int) -> None:
        self.result, self._wanted, self._player = Evidence(), wanted, player
        self._answers, self._max_ply = answers, max_ply
        self._start = _Node(chess.Board(), wanted)
        self._room = NODES_KEPT

    def game(self, tags: Mapping[str, str], text: str) -> tuple[int, str] | None:
        """Counts one game; what is wrong with it, if anything, and after which ply."""
        self.result.games += 1
        theirs = [self._is_player(tags.get("Black", "")), self._is_player(tags.get("White", ""))]
        if not any(theirs):
            return None
        self.result.theirs += 1
        ratings = [_rating(tags.get("BlackElo")), _rating(tags.get("WhiteElo"))]
        if tags.get("Variant", "Standard").casefold() not in ("standard", "from position", "chess"):
            return 0, f"variant {tags['Variant']!r} is not read"
        node = self._start
        if "FEN" in tags:
            try:
                node = _Node(chess.Board(tags["FEN"]), self._wanted)
            except ValueError:
                return 0, f"unusable start position {tags['FEN']!r}"
        turn, before = node.board.turn, ""
        for ply, san in enumerate(_sans(text)):
            if not (node.alive or before) or ply >= self._max_ply:
                return None
            known = node.moves.get(san)
            if known is None:
                try:
                    known = self._step(node, san)
                except ValueError:
                    return ply, f"'{san[:12]}' is no legal move at ply {ply + 1}"
            uci, after = known
            if theirs[turn]:
                for place in (node.epd, before):
                    if place:
                        self.result.add(place, uci, 1, ratings[turn])
            before = answers_to(node.epd, uci) if node.epd and self._answers else ""
            node, turn = after, not turn
        return None

    def _step(self, node: _Node, san: str) -> tuple[str, _Node]:
        move = node.board.parse_san(san)
        if not move:
            raise ValueError("null move")
        board = node.board.copy(stack=False)
        board.push(move)
        board.clear_stack()
        out = move.uci(), _Node(board, self._wanted)
        if self._room > 0:
            self._room -= 1
            node.moves[san] = out
        return out

    def _is_player(self, name: str) -> bool:
        return self._player is None or name.casefold().strip() == self._player


def _sans(text: str) -> Iterator[str]:
    """The moves of the main line, without numbers, comments, variations and marks."""
    depth = 0
    for match in _TOKEN.finditer(text):
        token = match[0]
        first = token[0]
        if first == "(":
            depth += 1
        elif first == ")":
            depth = max(0, depth - 1)
        elif depth or first in "{;$%":
            continue
        elif token in _RESULTS:
            return
        else:
            if first.isdigit() and not token.startswith("0-0"):
                token = _NUMBER.sub("", token)
            token = token.rstrip("!?").lstrip(".")
            if token:
                yield token.replace("0-0-0", "O-O-O").replace("0-0", "O-O") if token[0] == "0" else token


def _rating(text: str | None) -> int | None:
    return int(text) if text and text.isdigit() and 100 <= int(text) <= 3500 else None


def _count_book(path: Path, wanted: frozenset[str], answers: bool) -> Evidence:
    """Weights of a Polyglot book in the wanted positions, and after the moves it has there."""
    result = Evidence()
    try:
        if not path.stat().st_size or path.stat().st_size % 16:
            raise ValueError("entries have 16 bytes")
        with chess.polyglot.open_reader(path) as book:
            for epd in sorted(wanted):
                board = chess.Board(epd + " 0 1")
                for entry in book.find_all(board):
                    result.add(epd, entry.move.uci(), entry.weight)
                    if answers:
                        after = board.copy(stack=False)
                        after.push(entry.move)
                        for reply in book.find_all(after):
                            result.add(answers_to(epd, entry.move.uci()), reply.move.uci(), reply.weight)
    except (OSError, ValueError) as exc:
        raise InputError(f"cannot read the book '{path.name}': {getattr(exc, 'strerror', None) or exc}") from exc
    return result
