"""An engine to try things on: started when first asked, replaced when it does not come back."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import chess

from trapscan.engines.session import RawAnswer, Session
from trapscan.engines.spec import EngineSpec
from trapscan.engines.uci import Info, parse_info, read_answer
from trapscan.errors import EngineAnswerError, EngineCrashedError, EngineTimeoutError
from trapscan.model import Evaluation
from trapscan.settings import OptionValue

LONGEST = 30.0  # seconds for a search by a limit that was seen to work: only a machine under heavy load needs them


class ProbeSession:
    """Single searches, of which any may fail; what is known so far of clearing and mates is applied to them."""

    def __init__(self, spec: EngineSpec, options: Mapping[str, OptionValue]) -> None:
        self.spec, self.settings = spec, options
        self.clear_hash = self.prime = self.renew = False
        self.mate_floor = 0
        self._session: Session | None = None

    def session(self) -> Session:
        """The live conversation."""
        if self._session is None:
            self._session = Session(
                self.spec, options=self.settings, clear_hash=self.clear_hash, prime=self.prime, stop_seconds=0.3
            )
        return self._session

    def drop(self) -> None:
        """End the engine; the next search starts another."""
        if self._session is not None:
            self._session.close(patience=0)
            self._session = None

    def search(
        self,
        fen: str,
        limit: str,
        seconds: float = LONGEST,
        *,
        multipv: int = 1,
        moves: Sequence[str] = (),
        enough: Callable[[bytes], bool] | None = None,
    ) -> RawAnswer | None:
        """One search, or None when it did not come back or died; then the engine is replaced. Its seconds are those
        of a machine that has nothing else to do: without the time in which the engine waited for a processor."""
        if self.renew:
            self.drop()
        try:
            session = self.session()
            process = session.process
            waited, cpu = process.waited_seconds, process.cpu_seconds
            raw = session.search(chess.Board(fen), limit, seconds, multipv=multipv, moves=moves, enough=enough)
            waited, cpu = process.waited_seconds - waited, process.cpu_seconds - cpu
            return replace(raw, seconds=max(cpu, raw.seconds - max(0.0, waited)), cpu=cpu)
        except EngineTimeoutError:
            if self._session is not None and not self._session.clean:
                self.drop()
            return None
        except EngineCrashedError:
            self.drop()
            return None

    def read(self, fen: str, raw: RawAnswer | None, wanted: int = 1, moves: Sequence[str] = ()) -> Evaluation | None:
        """What the search says, or None when it says nothing of use."""
        if raw is None:
            return None
        try:
            board = chess.Board(fen)
            return read_answer(raw.lines, raw.bestmove, board, wanted, allowed=moves, mate_floor=self.mate_floor)
        except EngineAnswerError:
            return None

    def close(self) -> None:
        """End the engine, if there is one, and let it quit by itself."""
        if self._session is not None:
            self._session.close()


def infos_of(raw: RawAnswer) -> list[Info]:
    """The lines with a score."""
    return [info for line in raw.lines if (info := parse_info(line)) is not None]


def nodes_said(raw: RawAnswer | None) -> list[int]:
    """The nodes that a search said it took; nothing if it failed."""
    return [raw.nodes] if raw is not None else []
