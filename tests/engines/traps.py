"""Documented traps put to engines, what is found, what is refuted as the sources do, and the records."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import chess
import joblib

from trapscan.chance import load_model
from trapscan.engines import Engine, EngineSpec, Store, choose, engine_identity, probe
from trapscan.errors import EngineError
from trapscan.model import Chances, Evaluation, Position, Query
from trapscan.score import loss
from trapscan.search import Examiner
from trapscan.settings import Settings
from trapscan.stopping import NOISE_AT

TRAPS = Path(__file__).resolve().parents[1] / "data" / "open_set.jsonl"


@dataclass(frozen=True)
class Record:
    """Of the twenty, with the standard preset: how many an engine should find with a right refutation, and how many it
    was measured to find, and to find so. Why the weaker ones fall short is in docs/benchmarks.md. `luck` is what
    may be missing where a system does not let an engine's answers repeat."""

    goal: int
    found: int
    right: int
    luck: int = 0


RECORDS = {
    "stockfish": Record(19, 20, 19),
    "fairy-stockfish": Record(19, 18, 18),
    "embedded": Record(17, 18, 17),
    "ethereal-chess": Record(19, 19, 19),
    "toga2": Record(19, 17, 17, luck=1),
    "gnuchess": Record(19, 16, 16),
    "glaurung": Record(18, 16, 14),
    "sjaakii": Record(18, 13, 13),
}

RECORD_AGES = 2
"""An engine that does better than its record by so many has outgrown it: then the record is to be raised."""

JUDGE, JUDGE_NODES = "stockfish", 400_000
"""Who says what a false alarm is: the position and the move at this budget each."""

OTHERS = 3
"""How many other moves a position --alarms looks at: the likeliest at 1500."""


class OneMove:
    """A chance model for which every legal move is alike; the moves to examine are handed in as candidates."""

    name = "one move"

    def predict(self, boards: list[chess.Board], levels: tuple[int, ...]) -> list[Chances]:
        """Equal chances."""
        return [
            {move.uci(): (1 / board.legal_moves.count(),) * len(levels) for move in board.legal_moves}
            for board in boards
        ]

    def join(self, chances: Chances, losses: Mapping[str, tuple[float, float]], levels: tuple[int, ...]) -> Chances:
        """Losses change nothing."""
        return chances


@dataclass(frozen=True)
class Trap:
    """A trap of the set: the position, the slip, the replies that punish it, and other likely moves (UCI)."""

    name: str
    position: Position
    slip: str
    punish: frozenset[str]
    others: tuple[str, ...] = ()


@dataclass
class Row:
    """One engine's result."""

    name: str
    limit: str = ""
    found: int = 0
    right: int = 0
    alarms: list[str] = field(default_factory=list)
    seconds: float = 0.0
    nodes: int = 0
    error: str = ""
    missed: list[str] = field(default_factory=list)


@dataclass
class Kept:
    """An engine that is asked nothing twice where a store keeps its answers."""

    engine: Engine
    identity: str
    store: Store | None

    @property
    def multipv(self) -> bool:
        """As the engine."""
        return self.engine.multipv

    @property
    def steady(self) -> bool:
        """As the engine."""
        return self.engine.steady

    def evaluate(self, query: Query) -> Evaluation:
        """The store's answer, or the engine's."""
        known = self.store.get(self.identity, [query]).get(query) if self.store else None
        if known is None:
            known = self.engine.evaluate(query)
            if self.store:
                self.store.put(self.identity, [(query, known)])
        return known


def read_traps(count: int, *, others: int = 0) -> list[Trap]:
    """The first traps of the set, each with so many other moves, the likeliest at 1500 first."""
    made = []
    model = load_model() if others else None
    for line in TRAPS.read_text(encoding="utf-8").splitlines()[:count]:
        raw: dict[str, Any] = json.loads(line)
        board = chess.Board()
        for san in raw["line"]:
            board.push_san(san)
        slip = board.parse_san(raw["slip"]).uci()
        likely: list[str] = []
        if model is not None:
            chances = model.predict([board], (1500,))[0]
            likely = sorted((move for move in chances if move != slip), key=lambda move: (-chances[move][0], move))
        moves = tuple(move.uci() for move in board.move_stack)
        position = Position(board.epd(), chess.STARTING_FEN, moves, 1)
        board.push_uci(slip)
        punish = frozenset(board.parse_san(san).uci() for san in raw["punish"])
        made.append(Trap(raw["id"], position, slip, punish, tuple(likely[:others])))
    return made


def opened(spec: EngineSpec, settings: Settings, store: Path | None) -> Kept:
    """The engine, measured and ready."""
    facts = probe(spec)
    engine = Engine(spec, facts, hash_mb=settings.hash_mb)
    return Kept(engine, engine_identity(spec, facts, settings.hash_mb), Store(store) if store else None)


def judged_sound(traps: list[Trap], settings: Settings, store: Path | None) -> dict[str, set[str]]:
    """By trap: the other moves that lose less than the threshold, as the judge sees it."""
    judge = opened(choose(JUDGE), settings, store)
    sound = {}
    with judge.engine:
        for trap in traps:
            board = trap.position.board()
            best = judge.evaluate(Query(trap.position.epd, JUDGE_NODES)).best.score
            lost = {}
            for move in trap.others:
                board.push_uci(move)
                lost[move] = loss(best, judge.evaluate(Query(board.epd(), JUDGE_NODES)).best.score.of(best.side))
                board.pop()
            sound[trap.name] = {move for move in trap.others if lost[move] < settings.threshold}
    return sound


def table(
    specs: Sequence[EngineSpec],
    traps: list[Trap],
    settings: Settings,
    *,
    store: Path | None = None,
    sound: Mapping[str, set[str]] | None = None,
    jobs: int = 1,
) -> Iterator[Row]:
    """A row for each engine, so many engines at once. Threads will do: the work is done by the engines' processes."""
    calls = (joblib.delayed(check)(spec, traps, settings, store, sound or {}) for spec in specs)
    rows: Iterator[Row] = joblib.Parallel(n_jobs=jobs, prefer="threads", return_as="generator", batch_size=1)(calls)
    return rows


def off_record(row: Row, records: Mapping[str, Record] = RECORDS) -> str:
    """What is wrong when an engine's row is held to its record: it did worse, or so much better that the record no
    longer tells the truth; or ""."""
    record = records.get(row.name)
    if record is None or row.error:
        return row.error
    for what, now, before in (("found", row.found, record.found), ("right", row.right, record.right)):
        if now < before - record.luck:
            return f"{now} {what}, before {before}"
        if now >= before + RECORD_AGES:
            return f"{now} {what}, raise its record of {before}"
    return ""


def check(
    spec: EngineSpec, traps: list[Trap], settings: Settings, store: Path | None, sound: Mapping[str, set[str]]
) -> Row:
    """All traps with one engine."""
    row = Row(spec.name)
    try:
        kept = opened(spec, settings, store)
        facts = kept.engine.probe
        least, most = (facts.driven_by.go(facts.stretched(nodes)) for nodes in (NOISE_AT, settings.budgets[0].most))
        row.limit = f"{least} to {most}"
        start = time.perf_counter()
        with kept.engine:
            for trap in traps:
                put(trap, Examiner(kept, OneMove(), settings), row, settings, sound.get(trap.name, set()))
        row.seconds, row.nodes = time.perf_counter() - start, kept.engine.nodes
    except EngineError as exc:
        row.error = str(exc)
    return row


def put(trap: Trap, examiner: Examiner, row: Row, settings: Settings, sound: set[str]) -> None:
    """One trap with one engine."""
    certain = (1.0,) * len(settings.levels)
    seen = examiner.examine(trap.position, dict.fromkeys((trap.slip, *trap.others), certain))
    slips = {slip.move: slip for slip in seen.slips}
    row.alarms += [f"{trap.name} {move}" for move in slips if move in sound]
    slip = slips.get(trap.slip)
    if slip is None:
        row.missed.append(f"{trap.name} (not found)")
        return
    row.found += 1
    reply = slip.refutation[0] if slip.refutation else ""
    if reply in trap.punish:
        row.right += 1
    else:
        row.missed.append(f"{trap.name} ({reply}, not {'/'.join(sorted(trap.punish))})")


def show(row: Row, count: int, others: int) -> str:
    """One line of the table, and below it what was missed."""
    if row.error:
        return f"{row.name:16s} {row.error}"
    alarms = f"  false alarms {len(row.alarms):2d}/{others}" if others else ""
    line = (
        f"{row.name:16s} found {row.found:2d}/{count}  refutation right {row.right:2d}/{count}{alarms}"
        f"  {row.seconds:6.1f} s  {row.nodes / 1000:6.0f} knodes  {row.limit}"
    )
    below = [*row.missed, *(f"false alarm: {name}" for name in row.alarms)]
    return "\n".join([line, *(f"{'':16s}   {text}" for text in below)])
