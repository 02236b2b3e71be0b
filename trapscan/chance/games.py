"""Evidence from games: how often each move was played in a position, from PGN files and Polyglot books."""

from __future__ import annotations

import bz2
import gzip
import re
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import chess
import chess.polyglot
from joblib import Parallel, delayed

from trapscan.errors import InputError
from trapscan.model import Chances

BLEND_K = 120.0
"""Games the model's word is worth against games of a crowd: best of scripts/fit_blend on 35,863 moves (flat from 80
to 200), where evidence and games foretold came from the same pool."""

PLAYER_K = 15.0
"""The same against games of one player, whose habits no model of a crowd knows. Not fitted: the shared games carry no
names. With it, ten games of a player weigh two fifths."""

LEVEL_WIDTH = 300.0
"""A rated game speaks for levels within this many Elo of the mover's rating (triangular weight)."""

_TAG = re.compile(r'\[(\w+)\s+"((?:[^"\\]|\\.)*)"\s*\]')
_TOKEN = re.compile(r"\{[^}]*(?:\}|\Z)|;[^\n]*|\(|\)|\$\d+|[^\s(){};]+")
_NUMBER = re.compile(r"^\d+\.*")
_RESULTS = frozenset(("1-0", "0-1", "1/2-1/2", "*"))
NODES_KEPT = 50_000
"""Positions a worker keeps so that equal beginnings are parsed once (about 2 KB each)."""

_SPLIT = 1 << 24
"""Bytes of a plain PGN one worker reads at a time."""


@dataclass
class Evidence:
    """Counts by position (EPD) and move (UCI). `rated` holds them by the mover's rating in steps of 100;
    `problems` tells of games that broke off, at most a few of them word for word."""

    counts: dict[str, Counter[str]] = field(default_factory=dict)
    rated: dict[str, dict[int, Counter[str]]] = field(default_factory=dict)
    games: int = 0
    broken: int = 0
    problems: list[str] = field(default_factory=list)

    def add(self, epd: str, move: str, weight: int = 1, rating: int | None = None) -> None:
        """Count a move."""
        self.counts.setdefault(epd, Counter())[move] += weight
        if rating is not None:
            self.rated.setdefault(epd, {}).setdefault(rating // 100 * 100, Counter())[move] += weight

    def merge(self, other: Evidence) -> None:
        """Add what another reading found."""
        for epd, counter in other.counts.items():
            self.counts.setdefault(epd, Counter()).update(counter)
        for epd, by_rating in other.rated.items():
            mine = self.rated.setdefault(epd, {})
            for rating, counter in by_rating.items():
                mine.setdefault(rating, Counter()).update(counter)
        self.games += other.games
        self.broken += other.broken
        self.problems = (self.problems + other.problems)[:20]

    def total(self, epd: str) -> int:
        """Times the position occurred."""
        return sum(self.counts.get(epd, Counter()).values())

    def played(self, epd: str, move: str) -> int:
        """Times the move was played there."""
        return self.counts.get(epd, Counter())[move]

    def at_levels(self, epd: str, levels: Sequence[int]) -> list[dict[str, float]]:
        """Weighted counts a level. Games without a rating count the same at every level; a rated game counts in full
        at the mover's rating and fades to nothing LEVEL_WIDTH away."""
        plain = Counter(self.counts.get(epd, Counter()))
        by_rating = self.rated.get(epd, {})
        for counter in by_rating.values():
            plain.subtract(counter)
        out = []
        for level in levels:
            weighted = {move: float(count) for move, count in plain.items() if count > 0}
            for rating, counter in by_rating.items():
                weight = 1 - abs(rating + 50 - level) / LEVEL_WIDTH
                if weight > 0:
                    for move, count in counter.items():
                        weighted[move] = weighted.get(move, 0.0) + weight * count
            out.append(weighted)
        return out


def blend(chances: Chances, counts: Sequence[Mapping[str, float]], k: float = BLEND_K) -> Chances:
    """(count + k * model) / (N + k) for every move and level; `counts` holds one mapping a level (see at_levels).
    Counts of moves that are not legal here are left out."""
    out: dict[str, tuple[float, ...]] = {}
    totals = [sum(count for move, count in here.items() if move in chances) for here in counts]
    for move, shares in chances.items():
        out[move] = tuple(
            round((here.get(move, 0.0) + k * share) / (total + k), 8)
            for share, here, total in zip(shares, counts, totals, strict=True)
        )
    return out


def count_games(
    files: Iterable[Path],
    positions: Collection[str],
    *,
    player: str | None = None,
    max_ply: int = 40,
    jobs: int = 1,
) -> Evidence:
    """Counts of the moves played in `positions` (EPD strings) over all games of PGN files (.pgn, .gz, .bz2) and
    Polyglot books (.bin, whose weights stand for counts).

    With `player`, only moves of that player count: the name as in the tags, capitals aside. Only the first `max_ply`
    plies are read. A game that breaks off counts up to there. Raises InputError on a file that cannot be read.
    """
    wanted = frozenset(positions)
    result = Evidence()
    work: list[tuple[Path, int, int]] = []
    for path in files:
        if path.suffix == ".bin":
            result.merge(_count_book(path, wanted))
        else:
            work += _pieces(path)
    if jobs == 1 or len(work) < 2:
        for piece in work:
            result.merge(_count_piece(*piece, wanted, player, max_ply))
        return result
    tasks = (delayed(_count_piece)(*piece, wanted, player, max_ply) for piece in work)
    for part in Parallel(n_jobs=jobs, return_as="generator")(tasks):
        result.merge(part)
    return result


def _pieces(path: Path) -> list[tuple[Path, int, int]]:
    """A plain file in byte ranges; a compressed one whole (end 0: to the end)."""
    try:
        size = path.stat().st_size
    except OSError as exc:
        raise InputError(f"cannot read the games in '{path.name}': {exc.strerror}") from exc
    if path.suffix in (".gz", ".bz2"):
        return [(path, 0, 0)]
    return [(path, at, min(at + _SPLIT, size)) for at in range(0, max(size, 1), _SPLIT)]


def _open(path: Path) -> IO[bytes]:
    if path.suffix == ".gz":
        return gzip.open(path, "rb")  # type: ignore[return-value]
    if path.suffix == ".bz2":
        return bz2.open(path, "rb")
    return path.open("rb")


def _count_piece(
    path: Path, start: int, end: int, wanted: frozenset[str], player: str | None, max_ply: int
) -> Evidence:
    counter = _Counter(_Wanted(wanted), player.casefold().strip() if player else None, max_ply)
    result = counter.result
    try:
        with _open(path) as file:
            for tags, text in _games(file, start, end):
                problem = counter.game(tags, text)
                if problem:
                    result.broken += 1
                    if len(result.problems) < 5:
                        result.problems.append(f"{path.name}: {problem}")
    except (OSError, EOFError) as exc:
        raise InputError(f"cannot read the games in '{path.name}': {exc}") from exc
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


class _Wanted:
    """The positions asked for, arranged so that a game is left as soon as none of them can come any more: pawns do not
    return home, castling rights do not come back, and pieces do not rise from the dead."""

    def __init__(self, epds: Iterable[str]) -> None:
        self.epds = frozenset(epds)
        boards = [chess.Board(epd + " 0 1") for epd in self.epds]
        self._placed = {_placing(board) for board in boards}
        fewest: dict[tuple[int, int], int] = {}
        for board in boards:
            key, men = _homes(board), chess.popcount(board.occupied)
            fewest[key] = min(men, fewest.get(key, 64))
        # the hardest to rule out first; one that comes only where another may come too tells nothing
        self._fewest: list[tuple[int, int, int]] = []
        for (home, rights), men in sorted(fewest.items(), key=lambda item: (chess.popcount(item[0][0]), item)):
            if not any(h & ~home == 0 and r & ~rights == 0 and m <= men for h, r, m in self._fewest):
                self._fewest.append((home, rights, men))
        self._needed: dict[tuple[int, int], int] = {}

    def epd(self, board: chess.Board) -> str | None:
        """The position's EPD if it was asked for."""
        if _placing(board) not in self._placed:
            return None
        epd = board.epd()
        return epd if epd in self.epds else None

    def may_come(self, board: chess.Board) -> bool:
        """Whether a wanted position may still arise from this one (or is this one)."""
        here = _homes(board)
        least = self._needed.get(here)
        if least is None:
            fits = [men for home, rights, men in self._fewest if not (home & ~here[0] or rights & ~here[1])]
            least = self._needed[here] = min(fits, default=64)
        return chess.popcount(board.occupied) >= least


def _placing(board: chess.Board) -> tuple[int, int, bool]:
    return board.occupied_co[chess.WHITE], board.occupied_co[chess.BLACK], board.turn


def _homes(board: chess.Board) -> tuple[int, int]:
    white = board.pawns & board.occupied_co[chess.WHITE] & chess.BB_RANK_2
    black = board.pawns & board.occupied_co[chess.BLACK] & chess.BB_RANK_7
    return white | black, board.castling_rights


class _Node:
    """A position that games share, with what became of each move text there: equal beginnings are parsed once."""

    __slots__ = ("alive", "board", "epd", "moves")

    def __init__(self, board: chess.Board, wanted: _Wanted) -> None:
        self.board, self.epd, self.alive = board, wanted.epd(board), wanted.may_come(board)
        self.moves: dict[str, tuple[str, _Node]] = {}


class _Counter:
    """Reads games one by one into `result`."""

    def __init__(self, wanted: _Wanted, player: str | None, max_ply: int) -> None:
        self.result, self._wanted, self._player, self._max_ply = Evidence(), wanted, player, max_ply
        self._start = _Node(chess.Board(), wanted)
        self._room = NODES_KEPT

    def game(self, tags: Mapping[str, str], text: str) -> str | None:
        """Counts one game; what is wrong with it, if anything."""
        self.result.games += 1
        theirs = [self._is_player(tags.get("Black", "")), self._is_player(tags.get("White", ""))]
        if not any(theirs):
            return None
        ratings = [_rating(tags.get("BlackElo")), _rating(tags.get("WhiteElo"))]
        if tags.get("Variant", "Standard").casefold() not in ("standard", "from position", "chess"):
            return f"variant {tags['Variant']!r} is not read"
        node = self._start
        if "FEN" in tags:
            try:
                node = _Node(chess.Board(tags["FEN"]), self._wanted)
            except ValueError:
                return f"unusable start position {tags['FEN']!r}"
        turn = node.board.turn
        for ply, san in enumerate(_sans(text)):
            if not node.alive or ply >= self._max_ply:
                return None
            known = node.moves.get(san)
            if known is None:
                try:
                    known = self._step(node, san)
                except ValueError:
                    return f"game {self.result.games}: '{san[:12]}' is no legal move at ply {ply + 1}"
            uci, after = known
            if node.epd and theirs[turn]:
                self.result.add(node.epd, uci, 1, ratings[turn])
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


def _count_book(path: Path, wanted: frozenset[str]) -> Evidence:
    """Weights of a Polyglot book in the wanted positions."""
    result = Evidence()
    try:
        with chess.polyglot.open_reader(path) as book:
            for epd in sorted(wanted):
                board = chess.Board(epd + " 0 1")
                for entry in book.find_all(board):
                    result.add(epd, entry.move.uci(), entry.weight)
    except (OSError, ValueError) as exc:
        raise InputError(f"cannot read the book '{path.name}': {exc}") from exc
    return result
