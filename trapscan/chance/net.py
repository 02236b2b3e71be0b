"""The move-choice net: which legal move a player of a given level chooses, run by onnxruntime on one core."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import chess
import numpy as np
import numpy.typing as npt

from trapscan.chance import encode
from trapscan.chance.correction import JOIN, Join
from trapscan.model import Chances

# onnxruntime's official builds send usage data to their maker unless this stands in the environment before they are
# loaded (its Privacy.md; seen in 1.32). trapscan sends nothing, so it is set whatever the user's environment says.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"

import onnxruntime

onnxruntime.disable_telemetry_events()  # where another program had loaded it before us

WEIGHTS = "policy.onnx"
HISTORY = 3
LOWEST, HIGHEST = 600, 2600
"""Levels outside are taken as the nearer end: the games hold next to nothing beyond."""

SECONDS = 600.0
"""Thinking time where nothing is said: ten minutes a side."""

PRESENT, LEAGUE, LONG = 2, 3, 1_800.0
"""The rating pools of use, and the thinking time from which chances are those of the league of long games: there they
are 0.02 to 0.03 nats a move nearer to what was played than those of the present pool, which has no such games."""

BATCH = 8
"""Boards a run of the net: more gain nothing (scripts/run bench_chance)."""

PROMOTION_SHARES = {chess.QUEEN: 0.947, chess.ROOK: 0.026, chess.KNIGHT: 0.019, chess.BISHOP: 0.008}
"""How the four promotions share one entry: counted in 1,242 promotions of 206,657 online games (first 50 plies)."""

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Conditions:
    """What the net is told of a game besides the board: thinking time of a side over 40 moves (0: unknown), and the
    rating pool (0 early 2013, 1 2013-2017, 2 present day, 3 a league of long games)."""

    seconds: float = SECONDS
    pool: int = PRESENT

    @classmethod
    def of(cls, seconds: float) -> Conditions:
        """Those of today's games with this thinking time."""
        return cls(float(seconds), LEAGUE if seconds >= LONG else PRESENT)


class NetModel:
    """A ChanceModel. Deterministic: one thread, probabilities have six digits, and a position comes out the same
    whatever it is run with (a test sees to it)."""

    def __init__(self, weights: bytes, conditions: Conditions | None = None, join: Join = JOIN) -> None:
        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = 1
        options.inter_op_num_threads = 1
        options.log_severity_level = 3
        self._session = onnxruntime.InferenceSession(weights, options, providers=["CPUExecutionProvider"])
        self._join = join
        self.conditions = conditions or Conditions()
        self._name = f"policy net {hashlib.sha256(weights).hexdigest()[:12]}, join {join.digest()}"

    def __reduce__(self) -> tuple[Any, ...]:
        return (load_model, (self.conditions.seconds,))  # a worker loads its own session: they cannot cross processes

    @property
    def name(self) -> str:
        """Name and hash of the weights and of the join."""
        return self._name

    def predict(self, boards: list[chess.Board], levels: tuple[int, ...]) -> list[Chances]:
        """One mapping a board, move (UCI) -> probability per level; empty where there is no legal move. Many boards in
        one call cost less than one at a time, and come out the same to the last bit."""
        ratings = [(level, level) for level in (min(max(level, LOWEST), HIGHEST) for level in levels)]
        found: list[Chances] = []
        for board, moves, shares in self._run(boards, ratings, self.conditions):
            columns = map(tuple, rounded(shares).T.tolist()) if moves else ()
            found.append(dict(zip(map(board.uci, moves), columns, strict=True)))
        return found

    def join(self, chances: Chances, losses: Mapping[str, tuple[float, float]], levels: tuple[int, ...]) -> Chances:
        """Chances once an engine has looked at some of the moves; see `correction.Join`."""
        return self._join.apply(chances, losses, levels, self.conditions.seconds)

    def shares(
        self, board: chess.Board, ratings: Sequence[tuple[float, float]], conditions: Conditions | None = None
    ) -> tuple[list[chess.Move], Floats]:
        """Legal moves, and (ratings, moves) probabilities, unrounded; each of `ratings` is (own, the other's)."""
        ((moves, shares),) = self.shares_of([board], ratings, conditions)
        return moves, shares

    def shares_of(
        self,
        boards: Sequence[chess.Board],
        ratings: Sequence[tuple[float, float]],
        conditions: Conditions | None = None,
    ) -> list[tuple[list[chess.Move], Floats]]:
        """`shares` of each board."""
        return [(moves, shares) for _, moves, shares in self._run(boards, ratings, conditions or self.conditions)]

    def _run(
        self, boards: Sequence[chess.Board], ratings: Sequence[tuple[float, float]], conditions: Conditions
    ) -> Iterator[tuple[chess.Board, list[chess.Move], Floats]]:
        level = ((np.array(ratings, float).clip(LOWEST, HIGHEST + 100) - 1600) / 500).astype(np.float32)
        for some in (boards[at : at + BATCH] for at in range(0, len(boards), BATCH)):
            feed = {
                "squares": np.stack([encode.squares(board) for board in some]),
                "marks": np.stack([encode.marks(board, HISTORY) for board in some]),
                "attackers": np.stack([encode.attackers(board) for board in some]),
                "context": np.stack([encode.context(board, conditions.seconds, conditions.pool) for board in some]),
                "level": level,
            }
            logits = self._session.run(None, feed)[0].reshape(len(some), len(ratings), -1)
            for board, here in zip(some, logits, strict=True):
                moves = list(board.legal_moves)
                yield board, moves, _shares(here[:, encode.move_entries(board, moves)], moves)


def _shares(logits: npt.NDArray[np.float32], moves: list[chess.Move]) -> Floats:
    """(levels, moves) probabilities."""
    if not moves:
        return np.zeros((len(logits), 0))
    exact = logits.astype(np.float64)
    if any(move.promotion for move in moves):
        exact += np.log([PROMOTION_SHARES.get(move.promotion or 0, 1.0) for move in moves])
    raised: Floats = np.exp(exact - exact.max(axis=1, keepdims=True))
    raised /= raised.sum(axis=1, keepdims=True)
    return raised


def rounded(shares: Floats, digits: int = 6) -> Floats:
    """Probabilities per row to `digits` digits; the largest of each row takes what rounding left, so rows sum to 1."""
    out = np.round(shares, digits)
    top = out.argmax(axis=1)
    rows = np.arange(len(out))
    out[rows, top] = np.round(out[rows, top] + 1 - out.sum(axis=1), digits)
    return out


def load_model(seconds: float = SECONDS) -> NetModel:
    """The model that ships with the package, for games with this thinking time of a side over 40 moves; loaded once a
    process."""
    return _loaded(float(seconds))


@cache
def _loaded(seconds: float) -> NetModel:
    weights = resources.files("trapscan.chance").joinpath(WEIGHTS).read_bytes()
    return NetModel(weights, Conditions.of(seconds))
