"""Judged findings, examined anew as a scan would.

A table has a JSON object a line: repertoire, victim, line (SAN), slip (UCI), refutation (SAN), cp_slip (victim's view),
label (blow, drop, gambit, drift, missed, wrong), teach (2 gladly, 1 filler, 0 no).
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import dataclass
from pathlib import Path

import chess

from trapscan import explain, openings, rank, settings
from trapscan.contract import Nature
from trapscan.engines import Store, default_store_path
from trapscan.job.positions import POSITIONS, Outcome, Task
from trapscan.job.run import Job
from trapscan.job.tools import tools_of
from trapscan.job.workers import Processes
from trapscan.levels import at_level
from trapscan.model import Position
from trapscan.progress import Progress
from trapscan.score import Score

LABELS = Path(__file__).resolve().parents[4] / "shared/data/findings/coach_labels.jsonl"
LEVEL = 1400
"""The level that the coaches judged for."""

CONCRETE = ("blow", "drop")
"""Labels of what is lost by force."""


@dataclass(frozen=True)
class Row:
    """A judged finding."""

    repertoire: str
    line: tuple[str, ...]
    slip: str
    refutation: tuple[str, ...]
    cp_slip: int | dict[str, int]
    label: str
    teach: int

    def board(self) -> chess.Board:
        """The position before the slip, with the moves that lead to it."""
        board = chess.Board()
        for san in self.line:
            board.push_san(san)
        return board

    @property
    def text(self) -> str:
        """The line, the slip and its refutation, to read."""
        board = self.board()
        slip = board.san(chess.Move.from_uci(self.slip))
        return f"{' '.join(self.line)} | {slip} | {' '.join(self.refutation[:5])}"


@dataclass(frozen=True)
class Labelled:
    """A judged finding and the case that a scan makes of it. `told`: whether a scan reports it today."""

    row: Row
    case: rank.Case
    told: bool


def read(path: Path) -> list[Row]:
    """The rows of a table."""
    rows = []
    for text in path.read_text(encoding="utf-8").splitlines():
        given = json.loads(text)
        rows.append(
            Row(
                repertoire=given["repertoire"],
                line=tuple(given["line"].split()),
                slip=given["slip"],
                refutation=tuple(given["refutation"].split()),
                cp_slip=given["cp_slip"],
                label=given["label"],
                teach=given["teach"],
            )
        )
    return rows


def options_of(about: str | None) -> argparse.ArgumentParser:
    """The options of a script that examines judged findings."""
    ask = argparse.ArgumentParser(description=about, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("file", type=Path, nargs="?", default=LABELS)
    ask.add_argument("--engine")
    ask.add_argument("--preset", default="standard")
    ask.add_argument("--jobs", type=int, default=1)
    ask.add_argument("--store", type=Path, default=default_store_path())
    return ask


def examine(options: argparse.Namespace) -> list[Labelled]:
    """Every row of the file as a scan with the preset sees it. A slip that is not reported (any more) keeps its own
    refutation and score."""
    if not options.file.is_file():
        sys.exit(f"no table at {options.file}; name it")
    rows, chosen, store = read(options.file), settings.load(options.preset, {}), options.store
    boards = [row.board() for row in rows]
    tasks: dict[str, Task] = {}
    for board in boards:
        moves = tuple(move.uci() for move in board.move_stack)
        tasks.setdefault(board.epd(), Task(Position(board.epd(), chess.STARTING_FEN, moves, 1)))
    with Store(store) as kept, Processes(options.jobs) as workers:
        job = Job(kept, workers, Progress())
        each = job.each(POSITIONS, tools_of(options.engine, chosen, store), list(tasks.values()))
        outcomes = {done.task.epd: done.outcome for done in each if done.outcome is not None}
    return [_labelled(row, board, outcomes[board.epd()]) for row, board in zip(rows, boards, strict=True)]


def _labelled(row: Row, board: chess.Board, outcome: Outcome) -> Labelled:
    best, slip = outcome.examined.best, chess.Move.from_uci(row.slip)
    told = next((told for told in outcome.told if told.slip.move == row.slip), None)
    after = board.copy()
    after.push(slip)
    if told is not None:
        score, explanation = told.slip.score, told.explanation
    else:
        score = _score(board.turn, row.cp_slip)
        walk, line = after.copy(), []
        for san in row.refutation:
            line.append(walk.push_san(san).uci())
        explanation = explain.explain_slip(board, slip, best=best, slip_score=score, refutation=line)
    won = explanation.gain != "attack"
    nature = rank.nature_of(
        explanation.signs,
        best=best.score,
        slip=score,
        tactical=explain.tactical(explanation.motifs),
        named=openings.name_of(after.epd()) is not None,
        won=won,
        forgone=explanation.forgone,
    )
    levels = settings.load("standard", {}).levels
    chance = at_level(outcome.examined.chances[row.slip], levels, LEVEL)
    find = at_level(told.find, levels, LEVEL) if told is not None else 0.0
    motif = explain.any_tactical(explanation.motifs)
    case = rank.Case(nature, explanation.signs, best.score, score, chance, find, motif, won)
    return Labelled(row, case, told is not None)


def _score(side: chess.Color, given: int | dict[str, int]) -> Score:
    return Score(side, mate=given["mate"]) if isinstance(given, dict) else Score(side, cp=given)


def concrete(nature: Nature) -> bool:
    """Whether the nature says that something is lost by force."""
    return nature in (Nature.TACTIC, Nature.OVERSIGHT)
