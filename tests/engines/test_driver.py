"""What the driver makes of recorded engine output. Stored answers are keyed by `identity.DRIVER`: whoever changes what
is read out of the same lines raises it, so that no answer of the old driver is taken for one of the new."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import chess
import pytest

import trapscan.engines.engine
from trapscan.engines import Engine, EngineSpec, Probe
from trapscan.engines.identity import DRIVER, engine_identity
from trapscan.engines.limits import DepthLimit, NodeLimit
from trapscan.engines.session import STOPPED, RawAnswer
from trapscan.errors import EngineError
from trapscan.model import Evaluation, Query
from trapscan.stopping import LossStop, Noise, StableScoreStop

MADE_OF_THEM = {
    1: "31ae31bb21a3f49f",
    2: "0d7d574204bc86e8",  # iterations tell their best move
}
"""By version of the driver: a digest of all answers below. Never change a line: add one, and raise DRIVER."""

OPEN = "r1bqkbnr/pppp1ppp/2n5/4p3/2B1P3/5N2/PPPP1PPP/RNBQK2R b KQkq -"
MATE_NEAR = "r1bqkb1r/pppp1ppp/2n2n2/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR w KQkq -"
MATED = "rnb1kbnr/pppp1ppp/8/4p3/6Pq/5P2/PPPPP2P/RNBQKBNR w KQkq -"

PROBES = {
    "watched": Probe(name="A", nps=1_000_000, stops=True, reproducible=True, multipv=True, searchmoves=True),
    "by depth, noisy": Probe(
        name="B", driven_by=DepthLimit(table=(20, 100, 400, 2_000, 9_000)), nps=500_000, noise=2.0
    ),
    "slow, mates as centipawns": Probe(name="C", driven_by=NodeLimit(pace=16_384), nps=20_000, mate_floor=9_000),
}
RECORDINGS = {
    "exact": [
        "info depth 1 score cp 30 nodes 40 pv g8f6 d2d3",
        "info depth 4 score cp 12 nodes 900 pv f8c5 c2c3 g8f6",
        "info depth 5 score cp 25 nodes 2600 pv f8c5 c2c3 g8f6 d2d4",
        "info depth 6 score cp 20 nodes 9000 pv g8f6 d2d3 f8c5",
        "info depth 7 score cp 22 nodes 40000 pv g8f6 d2d3 f8c5",
        "info depth 8 score cp 21 nodes 130000 pv g8f6 d2d3 f8c5",
    ],
    "bounds": [
        "info depth 5 score cp -20 nodes 2600 pv g8f6 d2d3",
        "info depth 6 score cp -60 upperbound nodes 4000 pv g8f6",
        "info depth 6 score cp -75 lowerbound nodes 5000 pv f8c5",
        "info depth 7 score cp 400 lowerbound nodes 7000 pv c6d4",
    ],
    "bounds only": [
        "info depth 5 score cp 30 lowerbound nodes 2600 pv g8f6",
        "info depth 5 score cp 40 upperbound nodes 2700 pv g8f6",
    ],
    "mates": [
        "info depth 3 score mate 3 nodes 300 pv c6d4 f3d4 d8h4",
        "info depth 5 score mate -2 nodes 5000 pv g8f6 d2d3",
    ],
    "mates as centipawns": [
        "info depth 5 score cp 9996 nodes 700 pv g8f6 d2d3",
        "info depth 6 score cp -9950 nodes 900 pv d7d6",
    ],
    "an illegal tail": ["info depth 5 score cp 5 nodes 2600 pv g8f6 e1g1 a1a8"],
    "no legal move at all": ["info depth 5 score cp 5 nodes 2600 pv a1a8 h7h5"],
    "several lines": [
        "info depth 5 multipv 1 score cp 25 nodes 2000 pv g8f6 d2d3",
        "info depth 5 multipv 2 score cp 11 nodes 2100 pv f8c5 c2c3",
        "info depth 6 multipv 1 score cp 28 nodes 4000 pv f8c5 c2c3",
        "info depth 6 multipv 2 score cp 20 nodes 4100 pv g8f6 d2d3",
        "info depth 7 multipv 1 score cp 90 nodes 6000 pv d7d6 h2h3",
    ],
    "swinging": [
        f"info depth {d} score cp {-40 if d % 2 else 90} nodes {500 * 2**d} pv g8f6 d2d3" for d in range(1, 9)
    ],
    "odd order, no nodes": ["info score cp 33 pv g8f6 depth 4", "info depth 5 pv f8c5 c2c3 score cp 31 time 3"],
    "nothing": ["info string no idea"],
}
UNTIL = LossStop(best=0.55, threshold=0.1, sigmas=1.0, least=2000, confirm=4000, noise=Noise(0.058, 0.4))
QUERIES = {
    "plain": Query(OPEN, 120_000),
    "until": Query(OPEN, 120_000, until=UNTIL),
    "at rest": Query(OPEN, 480_000, until=StableScoreStop.around(120_000)),
    "two lines": Query(OPEN, 20_000, lines=2),
    "one of two": Query(OPEN, 20_000, moves=("g8f6", "f8c5")),
    "mate in one": Query(MATE_NEAR, 20_000),
    "mated": Query(MATED, 20_000, until=UNTIL),
}


class Recorded:
    """In a session's place: prints the recording at every search."""

    def __init__(self, lines: Iterable[str], bestmove: str) -> None:
        self.lines, self.bestmove, self.clean = [line.encode() for line in lines], bestmove, True

    def __call__(self, *_: object, **__: object) -> Recorded:
        return self

    def search(
        self, board: chess.Board, limit: str, seconds: float, *, enough: Callable[[bytes], bool] | None = None, **_: Any
    ) -> RawAnswer:
        told, best = [], self.bestmove
        for line in self.lines:
            told.append(line)
            if enough is not None and b" score " in line and enough(line):
                best = STOPPED
                break
        return RawAnswer(tuple(told), best, 1000, 0.0)

    @property
    def process(self) -> Recorded:
        return self

    alive = True

    def close(self, patience: float = 0.0) -> None:
        pass


def answers(patch: pytest.MonkeyPatch) -> Iterator[tuple[str, Evaluation | None]]:
    """All that comes of probes, recordings and queries; None where nothing does, which is not stored."""
    for who, probe in PROBES.items():
        for what, lines in RECORDINGS.items():
            for asked, query in QUERIES.items():
                for bestmove in ("g8f6", "(none)"):
                    patch.setattr(trapscan.engines.engine, "Session", Recorded(lines, bestmove))
                    try:
                        told: Evaluation | None = Engine(EngineSpec("none", ()), probe).evaluate(query)
                    except (EngineError, ValueError):
                        told = None
                    yield f"{who}, {what}, {asked}, {bestmove}", told


def test_the_same_lines_give_the_same_answers_under_one_version(monkeypatch: pytest.MonkeyPatch) -> None:
    found = dict(answers(monkeypatch))
    assert sum(told is not None for told in found.values()) > 200
    digest = hashlib.sha256("\n".join(f"{name}: {told}" for name, told in found.items()).encode()).hexdigest()[:16]
    assert MADE_OF_THEM.get(DRIVER) == digest, "the driver reads something else out of the same lines: raise DRIVER"
    assert max(MADE_OF_THEM) == DRIVER and len(set(MADE_OF_THEM.values())) == len(MADE_OF_THEM)


def test_another_driver_has_other_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its version is part of the engine's identity, under which answers are stored."""
    spec, probe = EngineSpec("none", ()), Probe(name="None 1.0")
    now = engine_identity(spec, probe, 16)
    assert engine_identity(spec, probe, 16) == now
    monkeypatch.setattr("trapscan.engines.identity.DRIVER", DRIVER + 1)
    assert engine_identity(spec, probe, 16) != now
