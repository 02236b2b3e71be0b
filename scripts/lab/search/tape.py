"""An engine whose searches are kept with all that it said, so that another policy's questions are answered from them.

Every search starts from a cleared hash, so a search that ends earlier says the first part of what a longer one says: a
question that is settled within what is on the tape gets the very answer that the engine would give, and so does one
with a budget that was searched to its end. Anything else is searched, to its whole budget, and kept.
"""

from __future__ import annotations

import re
import sqlite3
import time
import zlib
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import chess
import msgspec

from trapscan.engines import Engine, EngineSpec, Probe
from trapscan.engines.session import STOPPED, RawAnswer, Session
from trapscan.engines.uci import parse_info

_TIMES = re.compile(r" (?:nps|time) \d+")


class Tape:
    """A file of searches: what was asked -> budget -> the engine's lines with a score, its move, seconds, processor
    seconds."""

    def __init__(self, path: Path) -> None:
        self.db = sqlite3.connect(path, timeout=120, isolation_level=None)
        self.db.execute("PRAGMA journal_mode = WAL")
        self.db.execute(
            "CREATE TABLE IF NOT EXISTS said (asked TEXT, budget INT, said BLOB, PRIMARY KEY (asked, budget))"
        )
        self._last: tuple[str, list[tuple[int, dict[str, Any]]]] = "", []

    def get(self, asked: str) -> list[tuple[int, dict[str, Any]]]:
        """All searches of this question, the longest first."""
        if self._last[0] != asked:
            rows = self.db.execute("SELECT budget, said FROM said WHERE asked = ? ORDER BY budget DESC", (asked,))
            self._last = asked, [(budget, _unpacked(said)) for budget, said in rows]
        return self._last[1]

    def put(self, asked: str, budget: int, said: dict[str, Any]) -> None:
        self._last = "", []
        self.db.execute(
            "INSERT OR REPLACE INTO said VALUES (?, ?, ?)", (asked, budget, zlib.compress(msgspec.json.encode(said)))
        )


def _unpacked(said: bytes) -> dict[str, Any]:
    answer: dict[str, Any] = msgspec.json.decode(zlib.decompress(said))
    return answer | {"lines": [_TIMES.sub("", line) for line in answer["lines"]]}


class TapedSession:
    """Stands in for a `Session`."""

    def __init__(self, tape: Tape, live: Callable[[], Session], cpu: Callable[[], float]) -> None:
        self.tape, self.live, self.cpu = tape, live, cpu
        self.searched = 0

    def search(
        self,
        board: chess.Board,
        limit: str,
        seconds: float,
        *,
        fen: str = "",
        multipv: int = 1,
        moves: Iterable[str] = (),
        enough: Callable[[bytes], bool] | None = None,
    ) -> RawAnswer:
        budget = int(limit.removeprefix("nodes "))
        moves = tuple(moves)
        asked = f"{board.epd()}|{multipv}|{' '.join(moves)}"
        known = self.tape.get(asked)
        said = next((said for kept, said in known if kept == budget), None)
        told: list[bytes] = []
        if said is None and known and enough is not None:
            # what it says after `budget`, and what a search that ended at its own budget says at the end, is not ours
            most = min(known[0][0], budget)
            for line in known[0][1]["lines"]:
                info = parse_info(line.encode("latin-1"))
                if info is None or info.nodes >= most:
                    break
                told.append(line.encode("latin-1"))
                if enough(told[-1]):
                    return RawAnswer(tuple(told), STOPPED, 0, 0.0)
        if said is None:
            said = self._search(board, limit, seconds, fen, multipv, moves)
            self.tape.put(asked, budget, said)
        lines = [line.encode("latin-1") for line in said["lines"]]
        if lines[: len(told)] != told:
            raise RuntimeError(f"the engine does not repeat itself: {asked}")
        if enough is not None:
            for number in range(len(told), len(lines)):
                if enough(lines[number]):
                    return RawAnswer(tuple(lines[: number + 1]), STOPPED, 0, 0.0)
        return RawAnswer(tuple(lines), said["move"], 0, 0.0)

    def _search(
        self, board: chess.Board, limit: str, seconds: float, fen: str, multipv: int, moves: tuple[str, ...]
    ) -> dict[str, Any]:
        start, cpu = time.perf_counter(), self.cpu()
        raw = self.live().search(board, limit, max(600, seconds), fen=fen, multipv=multipv, moves=moves)
        self.searched += raw.nodes
        return {
            "lines": [_TIMES.sub("", line.decode("latin-1")) for line in raw.lines],
            "move": raw.bestmove,
            "seconds": round(time.perf_counter() - start, 4),
            "cpu": round(self.cpu() - cpu, 2),
        }


class TapedEngine(Engine):
    """An engine before which a tape stands; `taped.searched` counts the nodes that were not on it."""

    def __init__(self, spec: EngineSpec, probe: Probe, tape: Tape, *, hash_mb: int = 16) -> None:
        super().__init__(spec, probe, hash_mb=hash_mb)
        self.taped = TapedSession(tape, super()._live, lambda: self.cpu_seconds)

    def _live(self) -> Session:
        return self.taped  # type: ignore[return-value]
