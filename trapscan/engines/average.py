"""One score of several iterations, for engines whose scores swing from one to the next."""

from __future__ import annotations

from collections.abc import Sequence

import chess

from trapscan.engines.uci import parse_info, step_of_line
from trapscan.score import Score, score_of_expected


def mean_of_last(count: int, lines: Sequence[bytes], board: chess.Board, mate_floor: int) -> Score | None:
    """The mean, in expected score, of the last scores of the last `count` depths; None where one of them is a mate or
    no line holds a score (see `step_of_line`)."""
    scores: dict[int, Score] = {}
    for line in lines:
        info, step = parse_info(line), step_of_line(line, board, mate_floor)
        if info is not None and step is not None:
            scores[info.depth] = step[1].score
    last = [scores[depth] for depth in sorted(scores)[-count:]]
    if not last or any(score.mate is not None for score in last):
        return None
    return score_of_expected(board.turn, sum(score.expected() for score in last) / len(last))
