"""What bench_economy measures on one position; a module of its own, so that workers keep their engine between tasks."""

from __future__ import annotations

import os
import time
from collections import Counter
from pathlib import Path
from typing import Any

import chess

from scripts.lab.search.tape import Tape, TapedEngine
from trapscan import explain
from trapscan.chance import load_model
from trapscan.engines import Engine, choose, probe
from trapscan.model import Evaluation, Line, Position, Query
from trapscan.score import Score, loss
from trapscan.search import Examiner
from trapscan.search.examine import OFFER_NODES
from trapscan.settings import Settings
from trapscan.stopping import StableScoreStop

LINES = 5
Row = dict[str, Any]

OVERSIGHTS = frozenset(
    {
        "hanging piece",
        "loose pawn",
        "put en prise",
        "guard that leaves",
        "guard shut off",
        "line opened by the slip",
        "unmet threat",
        "safe capture",
        "winning exchanges",
    }
)


class Counted:
    """An evaluator that counts nodes, by what was asked for about the position, and the engine's processor time."""

    def __init__(self, engine: Engine, root: chess.Board) -> None:
        self.engine, self.multipv, self.steady = engine, engine.multipv, engine.steady
        self.nodes, self.start, self.processor = 0, time.perf_counter(), processor_seconds(engine.pid)
        self.root, self.children, self.replies = root.epd(), _children(root), frozenset[str]()
        self.parts: Counter[str] = Counter()
        self.searches: list[tuple[str, int]] = []

    def evaluate(self, query: Query) -> Evaluation:
        answer = self.engine.evaluate(query)
        self.nodes += answer.nodes
        part = self._part(query)
        self.parts[part] += answer.nodes
        self.searches.append((part, answer.nodes))
        return answer

    def _part(self, query: Query) -> str:
        if query.epd == self.root:
            return "best move"
        if query.epd in self.children:
            if query.lines > 1 or query.moves:
                return "other replies"
            if query.until is None:
                return "again"
            return "rival" if isinstance(query.until, StableScoreStop) else "candidates"
        self.replies = self.replies or frozenset().union(
            *(_children(chess.Board(f"{child} 0 1")) for child in self.children)
        )
        if query.epd not in self.replies:
            return "line"
        return "offers" if query.until is None and query.budget == OFFER_NODES else "after a reply"

    def cost(self) -> dict[str, float]:
        seconds = time.perf_counter() - self.start
        return {
            "nodes": self.nodes,
            "seconds": seconds,
            "processor": processor_seconds(self.engine.pid) - self.processor,
        }


def _children(board: chess.Board) -> frozenset[str]:
    return frozenset(after(board, move).epd() for move in board.legal_moves)


def after(board: chess.Board, move: chess.Move) -> chess.Board:
    child = board.copy(stack=False)
    child.push(move)
    return child


def processor_seconds(pid: int | None) -> float:
    if pid is None:
        return 0.0
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


_engines: list[Engine] = []


def engine_of(name: str, settings: Settings, tape: Path | None) -> Engine:
    """This worker's engine, behind the tape if there is one."""
    if not _engines:
        spec = choose(name)
        if tape is not None:
            _engines.append(TapedEngine(spec, probe(spec), Tape(tape), hash_mb=settings.hash_mb))
        else:
            _engines.append(Engine(spec, probe(spec), hash_mb=settings.hash_mb, options=settings.engine_options))
            _engines[0].evaluate(Query(chess.Board().epd(), 1_000))  # a started process, for all three alike
    return _engines[0]


def measure(
    name: str,
    settings: Settings,
    budget: int,
    moves: tuple[str, ...],
    known: Row | None,
    tape: Path | None,
    plain: bool,
) -> Row:
    """All three on one position; of a row measured before, only the exhaustive search is taken over."""
    engine = engine_of(name, settings, tape)
    board = chess.Board()
    for move in moves:
        board.push_uci(move)
    row: Row = {"epd": board.epd(), "settings": settings.public()}
    row["trapscan"] = ours(engine, settings, board)
    if plain:
        counted = Counted(engine, board)
        budgeted = Query(board.epd(), max(1_000, row["trapscan"]["nodes"]), lines=LINES)
        lines = counted.evaluate(budgeted).lines
        slips = {
            line.pv[0]: [round(lost, 4), budgeted.budget]
            for line in lines[1:]
            if line.pv and (lost := loss(lines[0].score, line.score)) >= settings.threshold
        }
        row["plain"] = counted.cost() | {"slips": slips}
    if known is not None:
        return row | {key: known[key] for key in TRUTH}
    return row | exhaustive(engine, settings, board, budget)


TRUTH = ("exhaustive", "losses", "chance", "nature")


def ours(engine: Engine, settings: Settings, board: chess.Board) -> Row:
    """What trapscan finds, and what it spends on it: slips -> (loss, nodes), other candidates likewise."""
    counted, model = Counted(engine, board), load_model()
    chances = model.predict([board], settings.levels)[0]
    position = Position(board.epd(), chess.STARTING_FEN, tuple(move.uci() for move in board.move_stack), 1)
    examined = Examiner(counted, model, settings, needs_more=explain.needs_more).examine(position, chances)
    best = examined.best.score
    return counted.cost() | {
        "slips": {slip.move: [round(loss(best, slip.score), 4), slip.nodes] for slip in examined.slips},
        "others": {move: [round(loss(best, score), 4), nodes] for move, score, nodes in examined.others},
        "refutations": {slip.move: [slip.refutation[:1], slip.also] for slip in examined.slips},
        "best": [examined.best.score.plain, *examined.best.pv[:1]],
        "parts": dict(counted.parts),
        "searches": counted.searches,
    }


def exhaustive(engine: Engine, settings: Settings, board: chess.Board, budget: int) -> Row:
    """What every legal move loses by a search of its own, how likely it is, and what sort of mistake it would be."""
    counted, model = Counted(engine, board), load_model()
    found = {
        legal: counted.evaluate(Query(after(board, legal).epd(), budget)).best
        for legal in sorted(board.legal_moves, key=chess.Move.uci)
    }
    scores = {move: line.score.of(board.turn) for move, line in found.items()}
    best = max(found, key=lambda move: (scores[move].expected(), move.uci()))
    line = Line(scores[best], (best.uci(), *found[best].pv))
    losses = {move.uci(): loss(line.score, score) for move, score in scores.items()}
    chances = model.predict([board], settings.levels)[0]
    joined = model.join(chances, {m: (max(0.0, x), max(0.0, x)) for m, x in losses.items()}, settings.levels)
    return {
        "exhaustive": counted.cost(),
        "losses": {move: round(lost, 4) for move, lost in losses.items()},
        "chance": {move: round(max(joined[move]), 4) for move in losses},
        "nature": {
            move.uci(): nature_of(board, move, line, scores[move], found[move].pv)
            for move in found
            if losses[move.uci()] >= settings.threshold
        },
    }


def nature_of(board: chess.Board, slip: chess.Move, best: Line, score: Score, refutation: tuple[str, ...]) -> str:
    """What sort of mistake a slip is, by the motif that wins the material."""
    told = explain.explain_slip(board, slip, best=best, slip_score=score, refutation=refutation)
    if told.gain == "attack" or not told.motifs:
        return "rest"
    return "oversight" if told.motifs[0] in OVERSIGHTS else "tactic"
