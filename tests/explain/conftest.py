"""What the tests of the explain room share: the documented traps, and real slips where the shared data is at hand."""

from __future__ import annotations

import gzip
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import chess
import pytest

from trapscan.explain import Explanation, explain_slip
from trapscan.model import Line
from trapscan.score import Score

ROOT = Path(__file__).resolve().parents[2]
TRAPS = ROOT / "tests" / "data" / "open_set.jsonl"
SLIPS = ROOT.parent / "shared" / "data" / "opening_slips.tsv.gz"


@dataclass(frozen=True)
class Trap:
    """A documented trap: position before the slip, the slip, and the engine's line after it (UCI)."""

    data: dict[str, Any]
    board: chess.Board
    slip: chess.Move
    line: tuple[str, ...]

    @property
    def best(self) -> tuple[str, ...]:
        """The victim's best line, as far as the file tells it (UCI)."""
        return (self.board.parse_san(self.data["best_instead"]).uci(),)

    def explain(self) -> Explanation:
        side = self.board.turn
        best = Line(score(side, self.data["cp_before"]), self.best)
        after = score(side, self.data["cp_after"])
        return explain_slip(self.board, self.slip, best=best, slip_score=after, refutation=self.line)


def score(side: chess.Color, cp: int) -> Score:
    """The file's scores: 9999 and less by one for each move is a mate."""
    if abs(cp) < 9000:
        return Score(side, cp=cp)
    return Score(side, mate=10000 - cp if cp > 0 else -(10000 + cp))


def read_traps() -> list[Trap]:
    traps = []
    for text in TRAPS.read_text(encoding="utf-8").splitlines():
        data = json.loads(text)
        board = chess.Board()
        for san in data["line"]:
            board.push_san(san)
        slip = board.parse_san(data["slip"])
        after, line = board.copy(), []
        after.push(slip)
        for san in re.sub(r"\d+\.(\.\.)?", "", data["engine_line"]).split():
            line.append(after.push_san(san).uci())
        traps.append(Trap(data, board, slip, tuple(line)))
    return traps


@pytest.fixture(scope="session")
def traps() -> list[Trap]:
    return read_traps()


@pytest.fixture(scope="session")
def real_slips() -> list[tuple[chess.Board, chess.Move, tuple[str, ...]]]:
    """Every ninth of the slips that people really made, with the line that punished them."""
    if not SLIPS.exists():
        pytest.skip("the shared data (opening_slips.tsv.gz) is not beside the repository")
    rows = []
    with gzip.open(SLIPS, "rt", encoding="utf-8") as file:
        next(file)
        for number, text in enumerate(file):
            if number % 9 == 0:
                fen, slip, line, *_ = text.rstrip("\n").split("\t")
                rows.append((chess.Board(fen), chess.Move.from_uci(slip), tuple(line.split())))
    return rows
