"""One slip put to an engine and explained, outside a scan: searches of its own, and the stage's own tries."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import chess

from trapscan.chance import load_model
from trapscan.engines import Engine, Store
from trapscan.explain import Explanation, explain_slip, needs_more
from trapscan.job.lines import try_lines
from trapscan.job.tools import tools_of
from trapscan.model import ChanceModel, Evaluation, Line, Query
from trapscan.score import Score
from trapscan.settings import load

LEVEL = 1500


@dataclass
class Teller:
    """An engine with a store for its answers. Budgets in nodes: for the position and the slip, and for each try."""

    engine: Engine
    store: Store
    identity: str
    model: ChanceModel
    nodes: int
    tried: int
    multipv: bool = True
    steady: bool = True

    def evaluate(self, query: Query) -> Evaluation:
        """The stored answer, or the engine's."""
        known = self.store.get(self.identity, [query]).get(query)
        if known is None:
            known = self.engine.evaluate(query)
            self.store.put(self.identity, [(query, known)])
        return known

    def tell(self, board: chess.Board, slip: chess.Move, refutation: tuple[str, ...] = ()) -> Told:
        """The slip explained. `refutation` (UCI) is how the line after it begins, where that is given."""
        side = board.turn
        lines = self.evaluate(Query(board.epd(), self.nodes, lines=2)).lines
        best = next((line for line in lines if line.pv[:1] != (slip.uci(),)), lines[0])
        after = board.copy()
        after.push(slip)
        main = self.evaluate(Query(after.epd(), self.nodes)).best
        line, score = main.pv, main.score.of(side)
        if refutation and line[: len(refutation)] != refutation:
            there = after.copy()
            for uci in refutation:
                there.push_uci(uci)
            rest = self.evaluate(Query(there.epd(), self.nodes)).best
            line, score = (*refutation, *rest.pv), rest.score.of(side)
        if needs_more(board, slip, line):
            there = after.copy()
            for uci in line:
                there.push_uci(uci)
            if not there.is_game_over():
                line = (*line, *self.evaluate(Query(there.epd(), self.nodes)).best.pv)
        plain = explain_slip(board, slip, best=best, slip_score=score, refutation=line)
        tried = try_lines(
            board, slip, line, plain.ply, self, self.model, LEVEL, best=best.pv[0] if best.pv else "", nodes=self.tried
        )
        told = explain_slip(board, slip, best=best, slip_score=score, refutation=line, tried=tried)
        return Told(board, slip, best, score, line, plain, told, tried.likely)


@dataclass(frozen=True)
class Told:
    """A slip explained: from the main line alone (`plain`) and from all lines tried (`told`)."""

    board: chess.Board
    slip: chess.Move
    best: Line
    score: Score
    line: tuple[str, ...]
    plain: Explanation
    told: Explanation
    likely: tuple[str, ...]

    def sans(self, moves: tuple[str, ...], most: int = 12) -> str:
        """Moves after the slip in SAN."""
        there, text = self.board.copy(stack=False), []
        there.push(self.slip)
        for uci in moves[:most]:
            text.append(there.san_and_push(chess.Move.from_uci(uci)))
        return " ".join(text)


@contextlib.contextmanager
def teller(engine: str, store: Path, *, nodes: int, tried: int) -> Iterator[Teller]:
    """A teller over an engine's path; its answers are kept in the file `store`."""
    tools = tools_of(engine, load("standard"), store)
    with contextlib.closing(Store(store)) as kept, Engine(tools.spec, tools.probe, hash_mb=16) as asked:
        yield Teller(asked, kept, tools.identity, load_model(), nodes, tried)
