"""Chances of moves in single positions, joined with an engine's losses just as a scan joins them."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from pathlib import Path

import chess

from trapscan import engines
from trapscan.chance import load_model
from trapscan.job.tools import tools_of
from trapscan.job.work import close_engines, recorder_for
from trapscan.model import Chances, Position
from trapscan.search import Examiner
from trapscan.settings import Settings


def joined_chances(
    boards: Sequence[chess.Board], settings: Settings, *, engine: str, store: Path | None = None
) -> Iterator[Chances]:
    """The chances of all moves on each board, in order, at the settings' levels: the model's, corrected by what
    `engine` says the likely ones lose. The engine's answers are kept in `store` (None: the user's cache folder).

    Raises a subclass of EngineError when there is no usable engine, or none of its answers can be used.
    """
    path = store or engines.default_store_path()
    with contextlib.closing(engines.Store(path)) as kept:
        tools = tools_of(engine, settings, path)
        model = load_model(settings.seconds)
        try:
            for board in boards:
                recorder = recorder_for(tools)
                (chances,) = model.predict([board], settings.levels)
                if not chances:  # the game is over
                    yield chances
                    continue
                joined = Examiner(recorder, model, settings).examine(_position(board), chances).chances
                kept.put(tools.identity, tuple(recorder.fresh.items()))
                yield joined
        finally:
            close_engines()


def _position(board: chess.Board) -> Position:
    start = board.root()
    return Position(board.epd(), start.fen(), tuple(move.uci() for move in board.move_stack), 1)
