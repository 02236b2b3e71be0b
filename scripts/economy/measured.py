"""What bench_economy measures on one position; a module of its own, so that workers keep their engine between tasks."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import Any

import chess

from trapscan import explain
from trapscan.chance import load_model
from trapscan.engines import Engine, choose, probe
from trapscan.model import Evaluation, Position, Query
from trapscan.score import Score, loss
from trapscan.search import Examiner
from trapscan.settings import Settings

LINES = 5
Row = dict[str, Any]


class Counted:
    """An evaluator that counts nodes and the engine's processor time."""

    def __init__(self, engine: Engine) -> None:
        self.engine, self.multipv, self.steady = engine, engine.multipv, engine.steady
        self.nodes, self.start, self.processor = 0, time.perf_counter(), processor_seconds(engine.pid)

    def evaluate(self, query: Query) -> Evaluation:
        answer = self.engine.evaluate(query)
        self.nodes += answer.nodes
        return answer

    def cost(self) -> dict[str, float]:
        seconds = time.perf_counter() - self.start
        return {
            "nodes": self.nodes,
            "seconds": seconds,
            "processor": processor_seconds(self.engine.pid) - self.processor,
        }


def processor_seconds(pid: int | None) -> float:
    if pid is None:
        return 0.0
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


_engines: list[Engine] = []


def measure(name: str, settings: Settings, budget: int, moves: tuple[str, ...], known: Row | None = None) -> Row:
    """All three on one position; of a row measured before, only the exhaustive search is taken over."""
    if not _engines:
        spec = choose(name)
        _engines.append(Engine(spec, probe(spec), hash_mb=settings.hash_mb, options=settings.engine_options))
        _engines[0].evaluate(Query(chess.Board().epd(), 1_000))  # a started process, for all three alike
    engine, model = _engines[0], load_model()
    board = chess.Board()
    for move in moves:
        board.push_uci(move)

    ours = Counted(engine)
    chances = model.predict([board], settings.levels)[0]
    position = Position(board.epd(), chess.STARTING_FEN, moves, 1)
    examined = Examiner(ours, model, settings, needs_more=explain.needs_more).examine(position, chances)
    row: Row = {
        "epd": board.epd(),
        "settings": settings.public(),
        "trapscan": ours.cost() | {"slips": sorted(slip.move for slip in examined.slips)},
    }

    plain = Counted(engine)
    lines = plain.evaluate(Query(board.epd(), max(1_000, ours.nodes), lines=LINES)).lines
    slips = [line.pv[0] for line in lines[1:] if line.pv and loss(lines[0].score, line.score) >= settings.threshold]
    row["plain"] = plain.cost() | {"slips": sorted(slips)}

    if known is not None:
        return row | {key: known[key] for key in ("exhaustive", "losses", "chance")}
    every, scores = Counted(engine), {}
    for legal in sorted(board.legal_moves, key=chess.Move.uci):
        after = board.copy()
        after.push(legal)
        scores[legal.uci()] = every.evaluate(Query(after.epd(), budget)).best.score.of(board.turn)
    best = max(scores.values(), key=Score.expected, default=Score(board.turn, cp=0))
    losses = {move: loss(best, score) for move, score in scores.items()}
    joined = model.join(chances, {m: (max(0.0, x), max(0.0, x)) for m, x in losses.items()}, settings.levels)
    row["exhaustive"] = every.cost()
    row["losses"] = {move: round(x, 4) for move, x in losses.items()}
    row["chance"] = {move: round(max(joined[move]), 4) for move in losses}
    return row
