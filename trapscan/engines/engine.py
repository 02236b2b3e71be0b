"""An evaluator on top of an engine process: watched, restarted, asked again once, then reported."""

from __future__ import annotations

import contextlib
import os
import time
from collections.abc import Mapping
from dataclasses import replace
from types import TracebackType
from typing import Any

import chess

from trapscan.engines.average import mean_of_last
from trapscan.engines.facts import AVERAGED, Probe
from trapscan.engines.mates import mate_by_checks
from trapscan.engines.session import START_SECONDS, STOPPED, Session
from trapscan.engines.spec import EngineSpec
from trapscan.engines.uci import parse_info, read_answer, step_of_line
from trapscan.errors import (
    EngineAnswerError,
    EngineCrashedError,
    EngineError,
    EngineRefusedError,
    EngineTimeoutError,
)
from trapscan.model import Evaluation, Line, Query
from trapscan.score import Score
from trapscan.settings import OptionValue
from trapscan.stopping import NOISE_AT, Iteration, StableScoreStop, steps

_UNSEARCHABLE = (
    chess.STATUS_NO_WHITE_KING
    | chess.STATUS_NO_BLACK_KING
    | chess.STATUS_TOO_MANY_KINGS
    | chess.STATUS_PAWNS_ON_BACKRANK
    | chess.STATUS_OPPOSITE_CHECK
    | chess.STATUS_TOO_MANY_WHITE_PIECES
    | chess.STATUS_TOO_MANY_BLACK_PIECES
    | chess.STATUS_BAD_CASTLING_RIGHTS
    | chess.STATUS_INVALID_EP_SQUARE
    | chess.STATUS_EMPTY
)
"""Positions that crash engines or mislead them."""


class Engine:
    """A live engine as an `Evaluator` (see trapscan.model): equal query, equal answer, whatever came before.

    The process starts with the first query. Each search is watched for `patience` seconds plus 20 times what the
    probe lets expect (100 times for a depth limit, whose cost varies more). On overrun: `stop`, if need be kill and
    restart, and the query is asked once more; likewise after a crash or a useless answer. If that fails too, the
    error is raised, and the next query finds a fresh process.

    Counters for reports: `searches`, `nodes`, `restarts`, `busy` (seconds the engine computed for us).
    """

    def __init__(
        self,
        spec: EngineSpec,
        probe: Probe,
        *,
        hash_mb: int = 16,
        options: Mapping[str, OptionValue] | None = None,
        patience: float = 20.0,
        start_seconds: float = START_SECONDS,
    ) -> None:
        if probe.refused:
            raise EngineRefusedError(probe.refused, engine=probe.name)
        self.spec, self.probe = spec, probe
        self.hash_mb, self.options = hash_mb, dict(options or {})
        self.patience, self.start_seconds = patience, start_seconds
        self.searches = self.nodes = self.restarts = 0
        self.busy = 0.0
        self._session: Session | None = None
        self._owner = os.getpid()

    @property
    def multipv(self) -> bool:
        """Whether `lines` > 1 and `moves` may be asked for."""
        return self.probe.multiline

    @property
    def steady(self) -> bool:
        """Whether its scores are no noisier than those that budgets and margins were measured with."""
        return self.probe.steady

    @property
    def name(self) -> str:
        """The engine's own name."""
        return self.probe.name

    def evaluate(self, query: Query) -> Evaluation:
        """Answer a query (see trapscan.model). Mate and stalemate are answered without the engine.

        Raises EngineTimeoutError, EngineCrashedError or EngineAnswerError after the second failure in a row,
        EngineRefusedError when the engine cannot be set up as wanted, ValueError on a query it may not be asked.
        """
        return self._search(self._as_noisy(query)) if self.probe.watchable else self._plainly(query)

    def _as_noisy(self, query: Query) -> Query:
        """The nodes and margins that this engine needs to be as sure as the one they were measured with."""
        until = query.until.for_noisier(self.probe.noise) if query.until is not None else None
        return replace(query, budget=self.probe.stretched(query.budget), until=until)

    def _plainly(self, query: Query) -> Evaluation:
        """For an engine that cannot be watched: the usual nodes where a score at rest is wanted, and rising budgets,
        one search each, where a search may end early."""
        if isinstance(query.until, StableScoreStop):
            query = replace(query, budget=query.until.usual, until=None)
        query = self._as_noisy(query)
        if query.until is None:
            return self._search(query)
        trail: list[Iteration] = []
        spent, notes, answer = 0, [], None
        # budgets that come to the same search (slow engines have a least one) are asked once, as the largest of them
        go = self.probe.driven_by.go
        searches = {go(budget): budget for budget in steps(min(NOISE_AT, query.budget), query.budget)}
        for budget in searches.values():
            answer = self._search(replace(query, budget=budget, until=None))
            spent += answer.nodes
            notes += [note for note in answer.notes if note not in notes]
            trail.append(Iteration(budget, answer.best.score, "".join(answer.best.pv[:1])))
            if not answer.best.pv or query.until.settled(trail):
                break
        assert answer is not None
        return replace(answer, nodes=spent, notes=tuple(notes), trail=tuple(trail))

    def _search(self, query: Query) -> Evaluation:
        """One search, made again once when it fails."""
        board = read_board(query.epd, engine=self.name)
        if (query.lines > 1 or query.moves) and not self.multipv:
            raise ValueError(f"{self.name} can only be asked for the best line of all moves")
        moves = tuple(board.parse_uci(move).uci() for move in query.moves)
        if not moves and not any(board.legal_moves):
            mated = board.is_check()
            score = Score(board.turn, mate=0) if mated else Score(board.turn, cp=0)
            return Evaluation((Line(score, ()),), 0, trail=(Iteration(0, score, ""),) if query.until else ())
        if not self.probe.watchable and query.lines == 1 and not moves and (mate := mate_by_checks(board)):
            return _proved(query, board.turn, mate)
        failure: EngineError | None = None
        for attempt in (1, 2):
            try:
                answer = self._ask(board, query, moves)
                break
            except (EngineTimeoutError, EngineCrashedError, EngineAnswerError) as exc:
                failure = exc
                if self._session is not None and not (isinstance(exc, EngineTimeoutError) and self._session.clean):
                    self._drop()
                if attempt == 1:
                    self.restarts += 1
            except BaseException:  # Ctrl-C in the middle of a search: what comes next out of the pipe is not ours
                self._drop()
                raise
        else:
            assert failure is not None
            raise type(failure)(failure.message, engine=self.name, epd=query.epd) from failure
        self.searches += 1
        self.nodes += answer.nodes
        return answer

    def _ask(self, board: chess.Board, query: Query, moves: tuple[str, ...]) -> Evaluation:
        session, until = self._live(), query.until
        wanted = 1 if query.lines == 1 else min(query.lines, len(moves) or board.legal_moves.count())
        limit, seconds = self.probe.limit(query.budget)
        start = time.perf_counter()
        trail: list[Iteration] = []
        seen: dict[str, str] = {}

        def enough(line: bytes) -> bool:
            step = step_of_line(line, board, self.probe.mate_floor, seen)
            if step is None or until is None:
                return False
            nodes, best = step
            trail.append(Iteration(nodes, best.score, best.pv[0]))
            return until.settled(trail)

        try:
            raw = session.search(
                board,
                limit,
                self.patience + seconds,
                fen=_fen(board, query.epd),
                multipv=wanted,
                moves=moves,
                enough=enough if until else None,
            )
        finally:
            self.busy += time.perf_counter() - start
        bestmove = raw.bestmove
        if bestmove == STOPPED and (last := parse_info(raw.lines[-1])) is not None:
            bestmove = last.pv[0]  # the line that settled the matter has moves: see step_of_line
        answer = read_answer(
            raw.lines,
            bestmove,
            board,
            wanted,
            allowed=moves,
            mate_floor=self.probe.mate_floor,
            engine=self.name,
        )
        mean = AVERAGED if self.probe.averaged else 1
        if isinstance(until, StableScoreStop) and not (trail and until.settled(trail)):
            mean = until.mean
        if mean > 1 and wanted == 1 and answer.best.score.mate is None:
            score = mean_of_last(mean, raw.lines, board, self.probe.mate_floor) or answer.best.score
            answer = replace(answer, lines=(replace(answer.best, score=score),))
        return replace(answer, trail=tuple(trail))

    def _live(self) -> Session:
        if self._owner != os.getpid():  # forked: the process and its pipes belong to the other one
            self._session, self._owner = None, os.getpid()
        if self.probe.renew:
            self._drop()
        if self._session is not None and not self._session.process.alive:
            self._drop()  # it died between two searches: the query that finds this out keeps its second chance
            self.restarts += 1
        if self._session is None:
            self._session = Session(
                self.spec,
                hash_mb=self.hash_mb,
                options=self.options,
                clear_hash=self.probe.clear_hash,
                prime=self.probe.prime,
                start_seconds=self.start_seconds,
            )
        return self._session

    @property
    def pid(self) -> int | None:
        """The live process, for tests and reports."""
        return self._session.process.pid if self._session is not None else None

    @property
    def cpu_seconds(self) -> float:
        """Processor time that the live process has taken; 0 where the system does not tell."""
        return self._session.process.cpu_seconds if self._session is not None else 0.0

    def _drop(self) -> None:
        if self._session is not None:
            session, self._session = self._session, None
            session.close(patience=0)

    def close(self) -> None:
        """End the process, if any; the next query would start another."""
        if self._session is not None and self._owner == os.getpid():
            session, self._session = self._session, None
            session.close()

    def __enter__(self) -> Engine:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def __del__(self) -> None:
        with contextlib.suppress(Exception):
            self.close()

    def __getstate__(self) -> dict[str, Any]:
        """Travels to another process without its own; there it starts anew."""
        return {**self.__dict__, "_session": None}


def _proved(query: Query, side: chess.Color, mate: tuple[str, ...]) -> Evaluation:
    """The answer where a mate is proved on the board: as sure as any search, and seen by the cheapest one."""
    score = Score(side, mate=(len(mate) + 1) // 2)
    budgets = dict.fromkeys((min(NOISE_AT, query.budget), query.budget))
    trail = tuple(Iteration(nodes, score, mate[0]) for nodes in budgets)
    return Evaluation((Line(score, mate),), 0, trail=trail if query.until is not None else ())


def read_board(epd: str, *, engine: str = "") -> chess.Board:
    """The board of a query: the EPD's four fields with fresh counters, Chess960 only where its castling needs it.

    Raises EngineAnswerError when the position cannot be searched (no king, a king that could be taken...).
    """
    fields = epd.split()[:4]
    try:
        board = chess.Board(" ".join(fields) + " 0 1")
        if board.castling_rights and board.status() & chess.STATUS_BAD_CASTLING_RIGHTS:
            board = chess.Board(" ".join(fields) + " 0 1", chess960=True)
    except ValueError as exc:
        raise EngineAnswerError(f"no position: {exc}", engine=engine, epd=epd) from exc
    if board.status() & _UNSEARCHABLE:
        raise EngineAnswerError("the position is illegal; engines cannot be asked about it", engine=engine, epd=epd)
    return board


def _fen(board: chess.Board, epd: str) -> str:
    """The FEN of `board` where its EPD says it already, as it nearly always does, else "": writing it takes longer than
    all else that is sent."""
    placed, turn, castling, passing = epd.split()[:4]
    usual = not board.chess960 and "~" not in placed and castling == board.castling_xfen()
    return f"{placed} {turn} {castling} {passing} 0 1" if usual and passing == "-" else ""
