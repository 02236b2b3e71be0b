"""A UCI conversation with one running process: greeting, options, one search at a time."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

import chess

from trapscan.engines.process import EngineProcess
from trapscan.engines.spec import EngineSpec
from trapscan.engines.uci import Option, bestmove_of, clamped, find_option, option_command, parse_option
from trapscan.errors import EngineCrashedError, EngineRefusedError, EngineTimeoutError
from trapscan.settings import OptionValue

START_SECONDS = 20.0
"""For the greeting and after it: a big network may have to be read from a slow disk."""

STOPPED = "stopped"
"""Stands for the best move of a search that was ended by the one who asked."""

_KEPT_LINES = 4096
_MOST_OPTIONS = 1000

HOUSE_OPTIONS: tuple[tuple[str, OptionValue], ...] = (
    # one thread: with more, equal searches differ
    ("Threads", 1),
    ("Number of Threads", 1),
    ("Ponder", False),
    # no moves from books inside engines
    ("OwnBook", False),
    ("Own Book", False),
    ("Use Book", False),
    ("UseBook", False),
    ("Book", False),
    # full strength, and no liking for one side: scores must not depend on who is to move at the root
    ("UCI_LimitStrength", False),
    ("Contempt", 0),
    ("ContemptDrawPenalty", 0),
    ("ContemptComplexity", 0),
    ("Randomness", 0),
    # measured: Sjaak II declares it true by default
    ("UCI_Chess960", False),
)
"""Set on every engine that declares them with a fitting type; options from the settings come after these."""

MANAGED = frozenset({"threads", "number of threads", "multipv", "uci_chess960", "uci_variant", "ponder", "hash"})
"""Options that the settings may not touch, because equal results depend on them."""


@dataclass(frozen=True, slots=True)
class RawAnswer:
    """What a search printed: `lines` hold a score; `nodes` is the greatest number named on any line; `seconds` of wall
    time from `go` to `bestmove`, `cpu` seconds of the engine's processor time (0: the system does not tell)."""

    lines: tuple[bytes, ...]
    bestmove: str
    nodes: int
    seconds: float
    cpu: float = 0.0


class Session:
    """A greeted, set-up engine. Any error leaves it unusable, except an overrun that `stop` could end: `clean`.

    What it takes to forget earlier searches differs: `ucinewgame`, or the Clear Hash button as well (`clear_hash`), or
    even a first short search of the same position (`prime`).
    """

    def __init__(
        self,
        spec: EngineSpec,
        *,
        hash_mb: int = 16,
        options: Mapping[str, OptionValue] | None = None,
        clear_hash: bool = False,
        prime: bool = False,
        start_seconds: float = START_SECONDS,
        stop_seconds: float = 2.0,
    ) -> None:
        self.spec = spec
        self.engine_name = spec.name
        self.author = ""
        self.options: tuple[Option, ...] = ()
        self._start_seconds, self._stop_seconds = start_seconds, stop_seconds
        self._multipv, self._chess960, self._prime = 1, False, prime
        self.process = EngineProcess(spec.command, cwd=spec.cwd, name=spec.name)
        try:
            self._greet()
            commands = self._house_commands(hash_mb)
            for name, value in [*spec.options, *(options or {}).items()]:
                if name.lower() in MANAGED:
                    raise EngineRefusedError(
                        f"option '{name}' is set by trapscan itself (hash size: the setting hash_mb)",
                        engine=self.engine_name,
                    )
                commands.append(option_command(self.options, name, value, engine=self.engine_name))
            self.ready(after="".join(commands))
        except BaseException:
            self.process.close(patience=0)
            raise
        button = find_option(self.options, "Clear Hash") if clear_hash else None
        self._fresh = f"setoption name {button.name}\nucinewgame\n" if button else "ucinewgame\n"

    def _greet(self) -> None:
        self.process.send("uci\n")
        options: list[Option] = []
        for raw in self.process.read_lines(self._start_seconds, "answer to 'uci'"):
            line = raw.decode("utf-8", "replace")
            words = line.split()
            low = [word.lower() for word in words[:2]]
            if words[-1].lower() == "uciok":
                break
            if low == ["id", "name"]:
                self.engine_name = self.process.name = " ".join(words[2:])[:80] or self.engine_name
            elif low == ["id", "author"]:
                self.author = " ".join(words[2:])[:120]
            elif low[:1] == ["option"] and len(options) < _MOST_OPTIONS and (option := parse_option(line)) is not None:
                options.append(option)
        self.options = tuple(options)

    def _house_commands(self, hash_mb: int) -> list[str]:
        commands = []
        for name, value in HOUSE_OPTIONS:
            option = find_option(self.options, name)
            fits = {"check": isinstance(value, bool), "spin": not isinstance(value, bool)}
            if option is not None and fits.get(option.type, False):
                if option.type == "spin":
                    value = _within(option, int(value))
                commands.append(option_command(self.options, name, value))
        table = find_option(self.options, "Hash")
        if table is not None and table.type == "spin":
            size = max(hash_mb, self.spec.box.least_hash) if self.spec.box else hash_mb
            commands.append(option_command(self.options, "Hash", _within(table, size)))
        return commands

    def ready(self, seconds: float | None = None, *, after: str = "") -> None:
        """Wait until everything sent so far, and the commands `after`, has been taken in; by default as long as a start
        may take."""
        self.process.send(after + "isready\n")  # in one go: each write wakes the engine
        self._until_ready(seconds or self._start_seconds)

    def _until_ready(self, seconds: float) -> None:
        for line in self.process.read_lines(seconds, "answer to 'isready'"):
            if line[-7:].lower() == b"readyok":
                return

    def search(
        self,
        board: chess.Board,
        limit: str,
        seconds: float,
        *,
        fen: str = "",
        multipv: int = 1,
        moves: Iterable[str] = (),
        fresh: bool = True,
        enough: Callable[[bytes], bool] | None = None,
    ) -> RawAnswer:
        """Search `board` (a root without history; `fen`: the same if at hand) with `go <limit>`; `fresh` forgets all
        earlier searches first.
        `enough` is shown each line with a score; when it says yes the search is stopped and what comes after is not
        looked at, so that the answer does not depend on how soon the engine obeys (the best move is then STOPPED).

        Raises EngineTimeoutError after `seconds`; then `clean` says whether the engine obeyed `stop` and may be used
        on. Raises EngineCrashedError when it ends.
        """
        setup = []
        if multipv != self._multipv:
            setup.append(f"setoption name MultiPV value {multipv}\n")
            self._multipv = multipv
        if board.chess960 != self._chess960:
            if find_option(self.options, "UCI_Chess960") is None:
                raise EngineRefusedError("the engine does not play Chess960", engine=self.engine_name, epd=board.epd())
            setup.append(f"setoption name UCI_Chess960 value {str(board.chess960).lower()}\n")
            self._chess960 = board.chess960
        fen = fen or board.fen(shredder=board.chess960, en_passant="legal")
        self.clean = False
        if fresh and self._prime:
            # What `ucinewgame` leaves behind of other positions, a first look at this one replaces.
            self.process.send("".join(setup) + f"{self._fresh}position fen {fen}\ngo depth 1\n")
            self._answer(seconds)
            setup = []
        if fresh:
            setup.append(self._fresh)
        only = " searchmoves " + " ".join(moves) if moves else ""
        # In one go, as each write wakes the engine and each answer wakes us. What it says before it is ready is not
        # about this search.
        self.process.send(f"{''.join(setup)}isready\nposition fen {fen}\ngo {limit}{only}\n")
        self._until_ready(seconds)
        start = time.perf_counter()
        try:
            lines, best, last = self._answer(seconds, enough)
        except EngineTimeoutError as exc:
            self.clean = self._stop()
            raise EngineTimeoutError(exc.message, engine=self.engine_name, epd=board.epd()) from exc
        self.clean = True
        seconds = time.perf_counter() - start
        return RawAnswer(tuple(lines), best, max(_nodes(lines[-1]) if lines else 0, _nodes(last)), seconds)

    clean: bool = True

    def _answer(
        self, seconds: float, enough: Callable[[bytes], bool] | None = None
    ) -> tuple[Sequence[bytes], str, bytes]:
        stopped = False
        lines: deque[bytes] = deque(maxlen=_KEPT_LINES)
        last = b""  # the last line that counts nodes: some engines give their sum on a line of its own, without score
        for line in self.process.read_lines(seconds, "best move"):
            # Only what may matter is kept, and of that the end, so that a flood costs time but no memory.
            low = line[:16].lower()
            if low.startswith(b"info"):
                if stopped:
                    continue
                if b"score" in line or b"score" in line.lower():
                    lines.append(line)
                    if enough is not None and enough(line):
                        stopped = True
                        self.process.send("stop\n")
                elif b"nodes" in line:
                    last = line
            elif b"bestmove" in line.lower():
                best = bestmove_of(line)
                if best is not None:
                    return lines, STOPPED if stopped else best, last
        raise EngineCrashedError("the engine stopped talking", engine=self.engine_name)  # read_lines never ends

    def _stop(self) -> bool:
        try:
            self.process.send("stop\n")
            self._answer(self._stop_seconds)
            self.ready(self._stop_seconds)
        except (EngineTimeoutError, EngineCrashedError):
            return False
        return True

    def close(self, patience: float = 0.5) -> None:
        """End the process."""
        self.process.close(patience)


def _nodes(line: bytes) -> int:
    """The count after `nodes`, or 0."""
    words = line.lower().split()
    try:
        return clamped("nodes", int(words[words.index(b"nodes") + 1]))
    except (ValueError, IndexError):
        return 0


def _within(option: Option, value: int) -> int:
    value = value if option.min is None else max(option.min, value)
    return value if option.max is None else min(option.max, value)
