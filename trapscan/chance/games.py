"""Evidence from games: how often each move was played in a position, from PGN files and Polyglot books."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Sequence
from functools import partial
from pathlib import Path

import chess
import chess.polyglot
import msgspec

from trapscan import pgn
from trapscan.chance.evidence import PROBLEMS_KEPT, Evidence, answers_to
from trapscan.chance.position_filter import Wanted, wanted_positions
from trapscan.contract import Problem
from trapscan.errors import InputError
from trapscan.pgn.moves import play
from trapscan.pgn.start import OtherVariant, Refused, start_of
from trapscan.pgn.words import MOVE, NOTHING, Word, parse_move, read_word, why_no_move, why_no_word
from trapscan.sanitize import readable

NODES_KEPT = 50_000
"""Positions a worker keeps so that equal beginnings are parsed once (about 2 KB each)."""

NAMES_KEPT = 500_000
"""Words that it remembers of them: a move is kept when it is played for the second time, and found again however it
is written."""

PART = 1 << 22
"""Bytes of a plain PGN one worker reads at a time."""

TELL_EVERY = 1 << 20
"""Bytes between two reports of progress inside a part."""

Tell = Callable[[int], object]
"""Told of progress: so many more bytes of the files are done."""

Spread = Callable[[Callable[[pgn.Part], Evidence], Sequence[pgn.Part]], Iterable[Evidence]]
"""Applies a function to every part, in other processes, say: the results in the order of the parts."""


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
    work: list[pgn.Part] = []
    result = Evidence()
    for path in files:
        if path.suffix.lower() == ".bin":
            if player is not None:
                raise InputError(f"the book '{path.name}' knows no names: leave it out, or the player")
            result.merge(_count_book(path, wanted, answers))
            if tell is not None:
                tell(path.stat().st_size)
        else:
            work += pgn.parts_of(path, PART)
    by_file: dict[Path, Evidence] = {}
    count = partial(_count_part, wanted=wanted, player=player, answers=answers, max_ply=max_ply)
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


def _count_part(
    part: pgn.Part,
    *,
    wanted: frozenset[str],
    player: str | None,
    answers: bool,
    max_ply: int,
    tell: Tell | None = None,
) -> Evidence:
    counter = _Counter(readable(part[0].name), wanted_positions(wanted), player, answers, max_ply)
    scanner = pgn.Scanner(counter)
    done = 0

    def told(size: int) -> None:
        nonlocal done
        done += size
        if tell is not None and done >= TELL_EVERY:
            tell(done)
            done = 0

    try:
        scanner.read(pgn.blocks(part, None if part[2] else told))
    except pgn.UnpacksTooFar as exc:
        scanner.close()
        counter.passed_over(str(exc))
    if tell is not None and done:
        tell(done)
    return counter.result


class _Node:
    """A position, with what became of each word there. A `kept` node is one that games share; any other belongs to
    the game being read, and its board moves on with it."""

    __slots__ = ("alive", "board", "epd", "kept", "moves", "once")

    def __init__(self, board: chess.Board, wanted: Wanted, *, kept: bool) -> None:
        self.board, self.epd, self.alive, self.kept = board, wanted.epd(board), wanted.may_come(board), kept
        self.moves: dict[bytes, tuple[str, _Node]] = {}
        self.once: set[str] = set()


class _Counter:
    """Counts games one by one into `result`: a `pgn.Sink`."""

    exact = False

    def __init__(self, name: str, wanted: Wanted, player: str | None, answers: bool, max_ply: int) -> None:
        self.result, self._name, self._wanted = Evidence(), name, wanted
        self._player = player.casefold().strip() if player else None
        self._answers, self._max_ply = answers, max_ply
        self._start = self._node = _Node(chess.Board(), wanted, kept=True)
        self._nodes_left, self._names_left = NODES_KEPT, NAMES_KEPT
        self._begun = False
        self._over = True  # nothing more of this game counts
        self._depth = self._ply = 0  # open variations; plies of the main line
        self._before = ""  # the place of the answer to the last move, where it was played in a wanted position
        self._white = True  # whose move it is
        self._theirs = (True, True)  # whether Black's moves count, and White's
        self._ratings: tuple[int | None, int | None] = (None, None)

    def begin(self, tags: pgn.Tags) -> None:
        """See Sink."""
        self.result.games += 1
        self._begun = self._over = True
        values = pgn.tag_values(tags)
        if self._player is not None:
            self._theirs = (self._is_player(values.get("Black", "")), self._is_player(values.get("White", "")))
            if not any(self._theirs):
                return
        self.result.theirs += 1
        self._ratings = (_rating(values.get("BlackElo", "")), _rating(values.get("WhiteElo", "")))
        self._ply = 0
        try:
            fen = start_of(values.get("FEN", ""), values.get("Variant", ""), _unheard)
        except OtherVariant as exc:
            self._break("games of another variant", str(exc))
        except Refused as exc:
            self._break("games from a position that cannot be used", str(exc))
        else:
            plain = fen == chess.STARTING_FEN
            self._node = self._start if plain else _Node(chess.Board(fen), self._wanted, kept=False)
            self._over, self._depth, self._before, self._white = False, 0, "", self._node.board.turn

    def take(self, tokens: list[bytes], starts: list[int]) -> None:
        """See Sink."""
        if self._over:
            return
        node, depth, answers, add = self._node, self._depth, self._answers, self.result.add
        for token in tokens:
            if depth or token == b"(":
                depth += (token == b"(") - (token == b")")
                continue
            step = node.moves.get(token)
            if step is None:
                if token[0] in b"{;$)":
                    continue
                word = read_word(token)
                if word.kind == NOTHING:
                    continue
                if not (node.alive or self._before) or self._ply >= self._max_ply:
                    self._over = True
                    return
                step = self._step(node, token, word)
                if step is None:
                    return
            elif not (node.alive or self._before) or self._ply >= self._max_ply:
                self._over = True
                return
            uci, after = step
            if self._theirs[self._white]:
                if node.epd:
                    add(node.epd, uci, 1, self._ratings[self._white])
                if self._before:
                    add(self._before, uci, 1, self._ratings[self._white])
            self._before = answers_to(node.epd, uci) if node.epd and answers else ""
            node, self._white = after, not self._white
            self._ply += 1
        self._node, self._depth = node, depth

    def end(self) -> None:
        """See Sink."""
        self._begun, self._over = False, True

    def passed_over(self, text: str) -> None:
        """See Sink."""
        self._problem("tags and comments", text, self.result.games + (not self._begun), 0)

    def _step(self, node: _Node, token: bytes, word: Word) -> tuple[str, _Node] | None:
        """The move that a word means, and where it leads; None where it means none: the game breaks off."""
        text, board = word.text, node.board
        name = text.encode()
        known = node.moves.get(name)
        if known is None:
            if word.kind != MOVE:
                self._break("games with a word that is no move", why_no_word(word, token), self._ply + 1)
                return None
            try:
                move = parse_move(board, text)
            except ValueError as exc:
                self._break("games with a word that is no move", why_no_move(text, board, exc), self._ply + 1)
                return None
            keep = text in node.once and self._nodes_left > 0
            if node.kept:
                board = board.copy(stack=False)
                if text not in node.once and self._names_left > 0:
                    node.once.add(text)
                    self._names_left -= 1
            uci = move.uci()
            play(board, move)
            known = uci, _Node(board, self._wanted, kept=keep)
            if not keep:
                return known
            self._nodes_left -= 1
            node.moves[name] = known
        if name != token and self._names_left > 0:
            node.moves[token] = known
            self._names_left -= 1
        return known

    def _break(self, kind: str, text: str, ply: int = 0) -> None:
        self._over = True
        self.result.broken += 1
        self.result.unread += not self._ply
        self._problem(kind, text, self.result.games, ply)

    def _problem(self, kind: str, text: str, game: int, ply: int) -> None:
        self.result.passed[kind] += 1
        if len(self.result.problems) < PROBLEMS_KEPT:
            self.result.problems.append(Problem(file=self._name, game=game, ply=ply, text=text))

    def _is_player(self, name: str) -> bool:
        return name.casefold().strip() == self._player


def _unheard(text: str) -> None:
    """What is put right in a start position is told where a repertoire is read; a game counts all the same."""


def _rating(text: str) -> int | None:
    return int(text) if text.isdecimal() and len(text) <= 4 and 100 <= int(text) <= 3500 else None


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
