"""The move-choice net: which legal move a player of a given level chooses, run by onnxruntime on one core."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any

import chess
import numpy as np
import numpy.typing as npt
import onnxruntime

from trapscan.chance import encode
from trapscan.model import Chances

WEIGHTS = "policy.onnx"
LOWEST, HIGHEST = 600, 2700
"""Levels outside are taken as the nearer end: the games hold next to nothing beyond."""

ANCHORS = (800, 1350, 1900, 2450)
"""Levels at which the net is run; in between, logits follow the cubic through them."""

PROMOTION_SHARES = {chess.QUEEN: 0.947, chess.ROOK: 0.026, chess.KNIGHT: 0.019, chess.BISHOP: 0.008}
"""How the four promotions share one entry: counted in 1,242 promotions of 206,657 online games (first 50 plies)."""

Floats = npt.NDArray[np.float64]


class NetModel:
    """A ChanceModel. Deterministic: every position is run by itself on one thread, probabilities have six digits."""

    def __init__(self, weights: bytes) -> None:
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = 1
        options.inter_op_num_threads = 1
        options.log_severity_level = 3
        self._session = onnxruntime.InferenceSession(weights, options, providers=["CPUExecutionProvider"])
        self._name = f"policy net {hashlib.sha256(weights).hexdigest()[:12]}"

    def __reduce__(self) -> tuple[Any, ...]:
        return (load_model, ())  # a worker loads its own session: sessions cannot cross processes

    @property
    def name(self) -> str:
        """Name and hash of the weights."""
        return self._name

    def predict(self, boards: list[chess.Board], levels: tuple[int, ...]) -> list[Chances]:
        """One mapping a board, move (UCI) -> probability per level; empty where there is no legal move."""
        return [self._one(board, levels) for board in boards]

    def join(self, chances: Chances, losses: Mapping[str, tuple[float, float]], levels: tuple[int, ...]) -> Chances:
        """Not fitted yet: the chances as they are."""
        del losses, levels
        return chances

    def _one(self, board: chess.Board, levels: tuple[int, ...]) -> Chances:
        moves = list(board.legal_moves)
        if not moves:
            return {}
        entries = [encode.move_entry(board, move) for move in moves]
        at_anchors = self._logits(board)[:, entries].astype(np.float64)
        logits = _between(np.clip(np.array(levels, float), LOWEST, HIGHEST)) @ at_anchors
        logits += np.log([PROMOTION_SHARES.get(move.promotion or 0, 1.0) for move in moves])
        shares = np.exp(logits - logits.max(axis=1, keepdims=True))
        shares = rounded(shares / shares.sum(axis=1, keepdims=True))
        return {board.uci(move): tuple(shares[:, column].tolist()) for column, move in enumerate(moves)}

    def _logits(self, board: chess.Board) -> npt.NDArray[np.float32]:
        marks = np.zeros((65, 2), np.int64)
        for origin, target in encode.recent_moves(board, 1):
            marks[origin, 0] = marks[target, 1] = 1
        meta = np.zeros((len(ANCHORS), 8), np.float32)
        meta[:, :4] = encode.castling(board)
        meta[:, 4] = meta[:, 5] = (np.array(ANCHORS) - 1600) / 500
        meta[:, 6], meta[:, 7] = board.ply() / 40, 1
        count = len(ANCHORS)
        feed = {
            "squares": np.repeat(encode.squares(board)[None], count, 0),
            "marks": np.repeat(marks[None, :64], count, 0),
            "meta": meta,
        }
        logits: npt.NDArray[np.float32] = self._session.run(None, feed)[0]
        return logits


def _between(levels: Floats) -> Floats:
    """(levels, anchors): weights of the cubic through the anchors."""
    out = np.ones((len(levels), len(ANCHORS)))
    for i, here in enumerate(ANCHORS):
        for j, other in enumerate(ANCHORS):
            if i != j:
                out[:, i] *= (levels - other) / (here - other)
    return out


def rounded(shares: Floats, digits: int = 6) -> Floats:
    """Probabilities per row to `digits` digits; the largest of each row takes what rounding left, so rows sum to 1."""
    out = np.round(shares, digits)
    top = out.argmax(axis=1)
    rows = np.arange(len(out))
    out[rows, top] = np.round(out[rows, top] + 1 - out.sum(axis=1), digits)
    return out


@cache
def load_model() -> NetModel:
    """The model that ships with the package; loaded once a process."""
    return NetModel(resources.files("trapscan.chance").joinpath(WEIGHTS).read_bytes())
