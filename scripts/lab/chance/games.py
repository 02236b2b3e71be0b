"""Games read from files, and how they are split; no PyTorch here."""

from __future__ import annotations

import gzip
import hashlib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

import chess.pgn

MAX_PLIES = 50

POOLS = {"f": 0, "a": 1, "d": 1, "e": 1, "g": 1, "i": 1, "b": 2, "c": 2, "h": 2, "p": 2, "r": 2, "l": 3}
"""Rating pool by source letter: 0 early 2013, 1 2013-2017, 2 present day (also every PGN), 3 a league of long games."""
PRESENT = 2

SPEED_WORDS = {"bullet": 90.0, "blitz": 260.0, "rapid": 700.0, "classical": 2400.0}
"""Seconds a side that stand for a speed word: common practice, no source."""


PACES = ((1, 180), (180, 480), (480, 1800), (1800, 1_000_000))
"""Thinking times of a side over 40 moves that figures are told for."""


@dataclass(frozen=True)
class Game:
    """One game: its source letter, ratings (White, Black), seconds a side (0 unknown), result for White, UCI moves."""

    source: str
    white: int
    black: int
    seconds: float
    result: float
    moves: tuple[str, ...]


def read_games(path: Path) -> Iterator[Game]:
    """Games of a TSV file (columns source, ratings, time control, result, moves) or of a PGN file with ratings."""
    opener = gzip.open if path.suffix == ".gz" else open
    with opener(path, "rt", encoding="utf-8", errors="replace") as file:
        if path.name.removesuffix(".gz").endswith(".pgn"):
            yield from _read_pgn(file)
            return
        for number, line in enumerate(file):
            if number == 0 and line.startswith("source\t"):
                continue
            source, white, black, control, result, moves = line.rstrip("\n").split("\t")
            yield Game(source, int(white), int(black), seconds_of(control), score_of(result), tuple(moves.split()))


def _read_pgn(file: TextIO) -> Iterator[Game]:
    while (game := chess.pgn.read_game(file)) is not None:
        tags = game.headers
        if not (tags.get("WhiteElo", "").isdigit() and tags.get("BlackElo", "").isdigit()) or "FEN" in tags:
            continue
        moves = tuple(move.uci() for move in game.mainline_moves())[:MAX_PLIES]
        control, result = tags.get("TimeControl", ""), tags.get("Result", "*")
        yield Game("pgn", int(tags["WhiteElo"]), int(tags["BlackElo"]), seconds_of(control), score_of(result), moves)


def seconds_of(control: str) -> float:
    """Thinking time of a side over 40 moves, in seconds, of '300+5' or a speed word; 0 where unknown."""
    if match := re.fullmatch(r"(\d+)\+(\d+)", control):
        return float(match[1]) + 40 * float(match[2])
    return SPEED_WORDS.get(control, 0.0)


def score_of(result: str) -> float:
    """1, 0.5 or 0 for White; 0.5 where unknown."""
    return {"1-0": 1.0, "0-1": 0.0}.get(result, 0.5)


def fold_of(game: Game) -> int:
    """0 to 99 from the moves alone: equal games share a fold, so no game is on both sides of a split."""
    return int.from_bytes(hashlib.sha256(" ".join(game.moves).encode()).digest()[:4], "big") % 100


TEST_FOLDS = range(4)
"""Kept aside for the figures."""
CHECK_FOLDS = range(4, 5)
"""Kept aside for choosing between nets."""


def split(games: Iterable[Game]) -> tuple[list[Game], list[Game], list[Game]]:
    """Games to fit, to choose by, and to report on."""
    parts: tuple[list[Game], list[Game], list[Game]] = ([], [], [])
    for game in games:
        fold = fold_of(game)
        parts[2 if fold in TEST_FOLDS else 1 if fold in CHECK_FOLDS else 0].append(game)
    return parts


def in_order(games: Iterable[Game]) -> list[Game]:
    """Games in an order fixed by their moves."""
    return sorted(games, key=lambda game: hashlib.sha256(" ".join(game.moves).encode()).digest())
