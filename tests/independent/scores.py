"""What an engine's search says, asked with python-chess alone."""

from __future__ import annotations

import chess
import chess.engine


def settled_score(
    engine: chess.engine.SimpleEngine, board: chess.Board, limit: chess.engine.Limit
) -> tuple[chess.engine.PovScore, list[chess.Move]]:
    """Score and line of the last iteration that came to a score, from a cleared hash.

    A search that ends by its nodes mostly ends inside an iteration, and its last line is then often the bound of a
    window ("lowerbound", "upperbound": UCI) and no score; `SimpleEngine.analyse` returns that line. Only of an engine
    that tells nothing but bounds is the last one taken.
    """
    last: chess.engine.InfoDict | None = None
    score: chess.engine.InfoDict | None = None
    with engine.analysis(board, limit, game=object()) as told:
        for info in told:
            if "score" in info and info.get("multipv", 1) == 1:
                last = info
                if not (info.get("lowerbound") or info.get("upperbound")):
                    score = info
    found = score or last
    if found is None:
        raise chess.engine.EngineError(f"no score for {board.fen()}")
    return found["score"], found.get("pv", [])
