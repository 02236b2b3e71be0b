"""What a worker process does: examine one position with its own engine, and explain what it found.

Everything here is at module level and travels as plain frozen data, so that joblib may run it in another process or on
another machine. A worker keeps its engine and its chance model from task to task.
"""

from __future__ import annotations

import atexit
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from hashlib import blake2b
from pathlib import Path

import chess

from trapscan import explain
from trapscan.chance import CountedModel, Evidence, load_model
from trapscan.contract import Instead
from trapscan.engines import Engine, EngineSpec, Probe, Store
from trapscan.errors import EngineError
from trapscan.explain import Explanation
from trapscan.model import ChanceModel, Chances, Evaluation, Examined, Position, Query, Slip
from trapscan.score import loss
from trapscan.search import Examiner
from trapscan.settings import Settings
from trapscan.stopping import NOISE_AT

LAST_SECONDS = 5.0
"""How long a worker whose scan is gone may take to end its engines."""


@dataclass(frozen=True, slots=True)
class Tools:
    """What every task of a scan shares. `store` is None where the worker cannot reach it (another machine)."""

    spec: EngineSpec
    probe: Probe
    identity: str
    settings: Settings
    store: Path | None


@dataclass(frozen=True, slots=True)
class Task:
    """A position to examine, and what was played there in game files, if any were given and came there."""

    position: Position
    evidence: Evidence | None = None
    one_player: bool = False

    @property
    def epd(self) -> str:
        """The position's EPD."""
        return self.position.epd

    def model(self) -> ChanceModel:
        """The chances to examine it with."""
        base = load_model()
        if self.evidence is None:
            return base
        return CountedModel(base, self.position.board(), self.evidence, one_player=self.one_player)


@dataclass(frozen=True, slots=True)
class Told:
    """A slip with its explanation. `find`: chance per level that the punisher plays a right refutation unprepared."""

    slip: Slip
    explanation: Explanation
    instead: tuple[Instead, ...]
    find: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Outcome:
    """All that a scan keeps of one position. `asked` are digests of its queries, to count those that recur."""

    examined: Examined
    told: tuple[Told, ...]
    asked: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Finished:
    """What a worker sends back: the outcome, or why there is none; the new answers for the store; seconds its engine
    was busy, seconds of processor time it took (0 where the system does not tell), and seconds the task took in all;
    engine nodes really searched; how often its engine had to be started again."""

    epd: str
    outcome: Outcome | None
    fresh: tuple[tuple[Query, Evaluation], ...] = ()
    problem: str = ""
    engine_seconds: float = 0.0
    engine_cpu: float = 0.0
    seconds: float = 0.0
    searched_nodes: int = 0
    restarts: int = 0


@dataclass(slots=True)
class Recorder:
    """An evaluator that answers from the store where it can, asks the engine where it must, and remembers both."""

    multipv: bool
    steady: bool
    stored: Callable[[Query], Evaluation | None]
    live: Callable[[Query], Evaluation]
    fresh: dict[Query, Evaluation] = field(default_factory=dict)
    asked: list[Query] = field(default_factory=list)
    engine_seconds: float = 0.0

    def evaluate(self, query: Query) -> Evaluation:
        """The stored answer, or the engine's."""
        self.asked.append(query)
        known = self.fresh.get(query) or self.stored(query)
        if known is not None:
            return known
        start = time.perf_counter()
        try:
            answer = self.live(query)
        finally:
            self.engine_seconds += time.perf_counter() - start
        self.fresh[query] = answer
        return answer


def solve(position: Position, evaluator: Recorder, model: ChanceModel, settings: Settings) -> Outcome:
    """Examine and explain one position. Pure but for what the evaluator does."""
    board = position.board()
    chances = model.predict([board], settings.levels)[0]
    examined = Examiner(evaluator, model, settings, needs_more=explain.needs_more).examine(position, chances)
    told = tuple(_told(board, examined, model, settings))
    return Outcome(examined, told, tuple(digest_of(query) for query in evaluator.asked))


def _told(board: chess.Board, examined: Examined, model: ChanceModel, settings: Settings) -> Iterator[Told]:
    """The slips explained. What they share is worked out once: the best line, what speaks for the other moves."""
    middle = min(range(len(settings.levels)), key=lambda i: abs(settings.levels[i] - settings.level))
    best_play = explain.Play.along(board, examined.best.pv)
    others = [(move, score, settings.noise_after(nodes)) for move, score, nodes in examined.others]
    slips = [slip.move for slip in examined.slips]
    merits: dict[str, str] = {}
    for slip, find in zip(examined.slips, _finds(board, examined, model, settings), strict=True):
        explanation = explain.explain_slip(
            board,
            chess.Move.from_uci(slip.move),
            best=examined.best,
            slip_score=slip.score,
            refutation=slip.refutation,
            best_play=best_play,
        )
        instead = explain.instead(
            board,
            examined.best,
            others,
            examined.chances,
            middle,
            slip=slip.move,
            punish=slip.refutation[0] if slip.refutation else "",
            slips=slips,
            merits=merits,
        )
        yield Told(slip, explanation, instead, find)


def _finds(
    board: chess.Board, examined: Examined, model: ChanceModel, settings: Settings
) -> Iterator[tuple[float, ...]]:
    """`Told.find` of each slip. The positions after them are put to the model in one call, which is cheaper."""
    boards = []
    for slip in examined.slips:
        boards.append(board.copy())
        boards[-1].push_uci(slip.move)
    for slip, chances in zip(examined.slips, model.predict(boards, settings.levels), strict=True):
        yield _find(examined, slip, chances, model, settings.levels)


def _find(
    examined: Examined, slip: Slip, chances: Chances, model: ChanceModel, levels: tuple[int, ...]
) -> tuple[float, ...]:
    """The chance that the punisher plays a right refutation, joined with what is at stake: a reply that does not
    punish gives back what the slip lost. How plainly that shows is told by the budget that exposed the slip."""
    if not slip.refutation:
        return tuple(1.0 for _ in levels)
    right = (slip.refutation[0], *slip.also)
    at_stake = max(0.0, loss(examined.best.score, slip.score))
    shallow = at_stake if slip.exposed <= NOISE_AT else 0.0
    losses = {move: (0.0, 0.0) if move in right else (shallow, at_stake) for move in chances}
    joined = model.join(chances, losses, levels)
    return tuple(min(1.0, sum(joined[move][i] for move in right)) for i in range(len(levels)))


def digest_of(query: Query) -> int:
    """A number that stands for the query: it tells which were asked more than once."""
    text = f"{query.epd}|{query.budget}|{query.moves}|{query.lines}|{query.until or ''}"
    return int.from_bytes(blake2b(text.encode(), digest_size=8).digest(), "big", signed=True)


# --- in the worker process -------------------------------------------------------------------------------------------

_engines: dict[tuple[str, int], Engine] = {}
"""By identity and thread: a worker of a cluster may run several tasks at once, each with an engine of its own."""
_stores: dict[Path, Store] = {}


def work(tools: Tools, task: Task) -> Finished:
    """Examine one position. An engine that fails here, even after its restart, makes a problem, not an end."""
    start, restarts, cpu = time.perf_counter(), restarts_so_far(tools), cpu_so_far(tools)
    recorder = recorder_for(tools)
    try:
        outcome = solve(task.position, recorder, task.model(), tools.settings)
        problem = ""
    except EngineError as exc:
        outcome, problem = None, str(exc)
    except (AssertionError, ArithmeticError, LookupError, TypeError, ValueError) as exc:
        # a fault of ours in one position must not cost a night's work in the others: it is listed, not hidden
        outcome, problem = None, f"a fault in trapscan, please report it: {type(exc).__name__} {exc}".strip()
    fresh = tuple(recorder.fresh.items())
    return Finished(
        task.epd,
        outcome,
        fresh,
        problem,
        recorder.engine_seconds,
        max(0.0, cpu_so_far(tools) - cpu),
        time.perf_counter() - start,
        sum(evaluation.nodes for _, evaluation in fresh),
        restarts_so_far(tools) - restarts,
    )


def settle_in() -> None:
    """In a worker process: Ctrl-C is the parent's affair."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def end_with(owner: int) -> None:
    """The first thing in a worker process: where the scan (process `owner`) is killed nobody ends its workers, so each
    watches for it, and takes its engine along. It may have been killed before the worker had started."""

    def watch() -> None:
        while os.getppid() == owner:
            time.sleep(1.0)
        closing = threading.Timer(LAST_SECONDS, os._exit, (1,))  # whatever closing meets: the guard ends what is left
        closing.daemon = True
        closing.start()
        close_engines()
        os._exit(1)

    if os.name == "posix":
        threading.Thread(target=watch, daemon=True).start()


def close_engines() -> None:
    """End this process's engines."""
    while _engines:
        _engines.popitem()[1].close()


atexit.register(close_engines)


def engine_of(tools: Tools) -> Engine:
    """This thread's engine for `tools`, made when first asked for."""
    key = tools.identity, threading.get_ident()
    if key not in _engines:
        settings = tools.settings
        _engines[key] = Engine(tools.spec, tools.probe, hash_mb=settings.hash_mb, options=settings.engine_options)
    return _engines[key]


def recorder_for(tools: Tools) -> Recorder:
    """A recorder over the store and this process's engine."""
    probe = tools.probe
    return Recorder(probe.multiline, probe.steady, _stored(tools), lambda query: engine_of(tools).evaluate(query))


def restarts_so_far(tools: Tools) -> int:
    """How often this thread's engine failed in a query and was started again."""
    engine = _engines.get((tools.identity, threading.get_ident()))
    return engine.restarts if engine is not None else 0


def cpu_so_far(tools: Tools) -> float:
    """Seconds of processor time this thread's engine has taken, 0 where the system does not tell."""
    engine = _engines.get((tools.identity, threading.get_ident()))
    return engine.cpu_seconds if engine is not None else 0.0


def _stored(tools: Tools) -> Callable[[Query], Evaluation | None]:
    path = tools.store
    if path is None:
        return lambda query: None
    if path not in _stores:
        _stores[path] = Store(path)
    store = _stores[path]

    def look(query: Query) -> Evaluation | None:
        found: Mapping[Query, Evaluation] = store.get(tools.identity, [query])
        return found.get(query)

    return look


__all__ = [
    "Finished",
    "Outcome",
    "Recorder",
    "Told",
    "Tools",
    "close_engines",
    "cpu_so_far",
    "digest_of",
    "end_with",
    "engine_of",
    "recorder_for",
    "restarts_so_far",
    "settle_in",
    "solve",
    "work",
]
