"""The nearest positions where a move is sound, against the plain definition: squares counted one by one with
python-chess, ties by EPD."""

from __future__ import annotations

import random

import chess
import numpy as np

from trapscan.job.assemble import NEAREST, Places, occupants
from trapscan.score import Score


def walks(number: int, seed: int) -> list[chess.Board]:
    """Positions after eight random plies from the start, White to move."""
    rng = random.Random(seed)
    boards = []
    for _ in range(number):
        board = chess.Board()
        for _ in range(8):
            board.push(rng.choice(list(board.legal_moves)))
        boards.append(board)
    return boards


def test_nearest_places_are_those_of_the_plain_count() -> None:
    boards = {board.epd(): board for board in walks(60, seed=5)}
    score = Score(True, cp=0)
    epds = sorted([*boards, chess.Board().epd()])  # the start is none of the rows
    rows = np.array([row for row, epd in enumerate(epds) if epd in boards])
    places = Places(epds, np.array([occupants(epd) for epd in epds]), rows, [(score, score)] * len(rows))
    compared = 0
    for epd, here in boards.items():
        for square in (chess.G1, chess.E2, chess.D1):
            rivals = [
                (sum(here.piece_at(s) != board.piece_at(s) for s in chess.SQUARES), other)
                for other, board in boards.items()
                if other != epd and board.piece_at(square) == here.piece_at(square)
            ]
            found = [place[0] for place in places.nearest(epd, square)]
            assert found == [other for _, other in sorted(rivals)[:NEAREST]]
            compared += len(found)
    assert compared > 500
