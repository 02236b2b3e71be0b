"""Counts from game files for the positions of a scan, as the walk comes to them."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import joblib
import msgspec

from trapscan import chance, pgn
from trapscan.chance import count_games
from trapscan.chance.evidence import position_of
from trapscan.contract import Evidence, GamesUsed, InputFile, Problem
from trapscan.errors import InputError
from trapscan.job.positions import Task
from trapscan.job.run import Job
from trapscan.job.tools import Tools
from trapscan.job.workers import Processes, Workers
from trapscan.model import Position
from trapscan.sanitize import readable

COUNTS = "counts"
"""The store's table of finished counts: large files are read once."""

COUNTING = ("games.py", "evidence.py", "position_filter.py")
"""The modules of `chance` that counts depend on, besides the reader of PGN."""

LATER = 10
"""Plies by which a game may come to a position later than the repertoire does."""


Count = Callable[[pgn.Part], chance.Evidence]


@dataclass(slots=True)
class Counts:
    """What was played in the positions learnt so far, over all `files`; with `player`, what that player played."""

    job: Job
    tools: Tools
    files: Sequence[Path]
    hashes: tuple[InputFile, ...]
    player: str | None
    evidence: chance.Evidence = field(default_factory=chance.Evidence)
    known: set[str] = field(default_factory=set)
    places: dict[str, list[str]] = field(default_factory=dict)

    def learn(self, positions: Sequence[Position]) -> None:
        """Count the moves of these positions, unless they are known. InputError: see chance.count_games."""
        fresh = {position.epd for position in positions} - self.known
        if not self.files or not fresh:
            return
        deepest = LATER + max(len(position.moves) for position in positions)
        key = self._key(fresh, deepest)
        blob = self.job.store.get_blobs(COUNTS, [key]).get(key)
        found = _decode(blob) if blob is not None else None
        if found is None:
            found = self._count(fresh, deepest)
            self.job.store.put_blobs(COUNTS, {key: msgspec.msgpack.encode(found)})
        if self.known:  # the same games again: only their moves are new
            found.games = found.theirs = found.unread = found.broken = 0
            found.passed, found.problems = Counter(), []
        self.evidence.merge(found)
        self.known |= fresh
        for place in sorted(found.counts):
            self.places.setdefault(position_of(place), []).append(place)

    def _count(self, positions: set[str], deepest: int) -> chance.Evidence:
        self.job.progress.reading(sum(file.stat().st_size for file in self.files))
        return count_games(
            self.files,
            positions,
            player=self.player,
            answers=True,
            max_ply=deepest,
            spread=self._spread,
            tell=self.job.progress.read,
        )

    def _spread(self, count: Count, pieces: Sequence[pgn.Part]) -> Iterator[chance.Evidence]:
        """Among the processes that do the scan; where other machines do it, which may lack the files, among our own."""
        if isinstance(self.job.workers, Processes):
            yield from self._in_order(self.job.workers, count, pieces)
        else:
            with Processes(joblib.cpu_count()) as here:
                yield from self._in_order(here, count, pieces)

    def _in_order(self, workers: Workers, count: Count, pieces: Sequence[pgn.Part]) -> Iterator[chance.Evidence]:
        early: dict[int, chance.Evidence] = {}
        due = 0
        items = [(number, count, piece) for number, piece in enumerate(pieces)]
        for number, found in workers.each(_count_one, self.tools, items):
            early[number] = found
            while due in early:
                yield early.pop(due)
                due += 1

    def task(self, position: Position) -> Task:
        """The position with the counts that concern it."""
        return Task(position, self.evidence.only(self.places.get(position.epd, ())), self.player is not None)

    def of(self, epd: str, move: str) -> Evidence | None:
        """How often position and move occurred; None where no games were given."""
        if not self.files:
            return None
        return Evidence(games=self.evidence.total(epd), played=self.evidence.played(epd, move))

    def choices(self, positions: Sequence[Position]) -> dict[str, Mapping[str, float]]:
        """For graph.reach: how the side to move shares itself among the prepared moves of each position, where games
        reached it. One game is added for each of the moves: what has not been played yet is not ruled out."""
        out: dict[str, Mapping[str, float]] = {}
        for position in positions:
            counter = self.evidence.counts.get(position.epd, Counter())
            if any(counter[move] for move in position.prepared):
                out[position.epd] = {move: 1.0 + counter[move] for move in position.prepared}
        return out

    def used(self, positions: Sequence[Position]) -> GamesUsed | None:
        """For the report: which files, how many games, how many of these positions they met."""
        if not self.files:
            return None
        met = sum(self.evidence.total(position.epd) > 0 for position in positions)
        return GamesUsed(files=self.hashes, games=self.evidence.games, player=self.player or "", met=met)

    def problems(self) -> tuple[Problem, ...]:
        """What was passed over in the games: the first of it word for word, all of it by kind."""
        found = self.evidence
        more = sum(found.passed.values()) - len(found.problems)
        if more <= 0:
            return tuple(found.problems)
        kinds = ", ".join(f"{count:,} {kind}" for kind, count in sorted(found.passed.items()))
        rest = Problem(
            file="", game=0, ply=0, text=f"{more:,} more problems in the games are not listed; in all {kinds}"
        )
        return (*found.problems, rest)

    def _key(self, positions: set[str], deepest: int) -> str:
        code = hashlib.sha256()
        for path in sorted(
            (*(Path(chance.__file__).parent / name for name in COUNTING), *Path(pgn.__file__).parent.glob("*.py"))
        ):
            code.update(path.read_bytes())
        parts = (
            code.hexdigest(),
            self.player or "",
            str(deepest),
            *(f.sha256 for f in self.hashes),
            *sorted(positions),
        )
        return hashlib.sha256("|".join(parts).encode()).hexdigest()


def _count_one(_: Tools, item: tuple[int, Count, pgn.Part]) -> tuple[int, chance.Evidence]:
    number, count, piece = item
    return number, count(piece)


def hashes_of(files: Sequence[Path]) -> tuple[InputFile, ...]:
    """Name and hash of each file; InputError where one cannot be read, or is given twice (its games would count
    twice)."""
    out: list[InputFile] = []
    for path in files:
        pgn.must_be_file(path)
        try:
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as exc:
            raise InputError(f"cannot read the games in '{path.name}': {exc.strerror or exc}") from exc
        if any(digest == other.sha256 for other in out):
            raise InputError(f"'{path.name}' is given twice as a file of games: name it once")
        out.append(InputFile(name=readable(path.name), sha256=digest))
    return tuple(out)


def _decode(blob: bytes) -> chance.Evidence | None:
    try:
        return msgspec.msgpack.decode(blob, type=chance.Evidence)
    except msgspec.MsgspecError:
        return None  # written by other code after all: count again
