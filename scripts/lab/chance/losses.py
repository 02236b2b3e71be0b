"""What an engine says moves lose, in positions of real games."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import chess
import chess.engine

from scripts.lab.chance.games import POOLS, Game
from tests.chance.samples import CANDIDATES, PRIOR, Sample, read_samples, sample_of
from tests.independent.scores import settled_score
from trapscan.chance import load_model
from trapscan.chance.net import Conditions
from trapscan.engines import Engine, choose, probe
from trapscan.model import Query
from trapscan.score import Score

Ask = Callable[[chess.Board, int], Score]
"""The score of a position, for its side to move, after so many nodes."""

THRESHOLD, NEAR = 0.10, 0.063


def plain_settings(engine: chess.engine.SimpleEngine) -> dict[str, int]:
    """One thread, a small hash, where the engine knows such options."""
    return {name: value for name, value in (("Threads", 1), ("Hash", 16)) if name in engine.options}


def asking(engine: chess.engine.SimpleEngine) -> Ask:
    """By an engine that counts nodes and gives exact scores."""

    def ask(board: chess.Board, nodes: int) -> Score:
        score = settled_score(engine, board, chess.engine.Limit(nodes=nodes))[0].relative
        return Score(board.turn, cp=score.score(), mate=score.mate() if score.is_mate() else None)

    return ask


def driven(name: str) -> tuple[Engine, Ask]:
    """By any engine as a scan drives it: a budget becomes a limit that it keeps, and never less than it needs."""
    spec = choose(name)
    engine = Engine(spec, probe(spec))
    return engine, lambda board, nodes: engine.evaluate(Query(board.epd(), nodes)).best.score


def ply_of(game: Game, draw: int) -> int:
    """Which position of the game is looked at: ply 6 to 30, fixed by the moves."""
    return 6 + hashlib.sha256(" ".join(game.moves).encode()).digest()[draw] % (min(31, len(game.moves)) - 6)


def measure(game: Game, ask: Ask, shallow: int, deep: int, ply: int) -> dict[str, object]:
    """One position: the moves before it, moves with share and losses, which was played, and by whom."""
    board = chess.Board()
    for uci in game.moves[:ply]:
        board.push_uci(uci)
    played = game.moves[ply]
    own, other = (game.white, game.black) if board.turn else (game.black, game.white)
    conditions = Conditions(game.seconds, POOLS.get(game.source, 2))
    moves, shares = load_model().shares(board, [(own, other)], conditions)
    share = {move.uci(): float(shares[0, i]) for i, move in enumerate(moves)}
    likely = [move for move in sorted(share, key=lambda m: -share[m]) if share[move] >= PRIOR][:CANDIDATES]
    if played not in likely:
        likely.append(played)
    root = ask(board, deep).expected()
    first = {move: after(board, move, ask, shallow) for move in likely}
    best = max([root, *first.values()])
    last_value = {
        move: after(board, move, ask, deep) if abs(best - value - THRESHOLD) < NEAR else value
        for move, value in first.items()
    }
    top = max([root, *last_value.values()])
    return {
        "epd": board.epd(), "before": " ".join(game.moves[:ply]), "ply": ply, "own": own, "other": other,
        "source": game.source, "seconds": game.seconds, "played": played,
        "moves": {m: [round(share[m], 6), round(max(0.0, top - first[m]), 4), round(max(0.0, top - last_value[m]), 4)]
                  for m in likely},
    }  # fmt: skip


def said_anew(row: dict[str, Any]) -> dict[str, Any]:
    """A measured position with the shares that the shipped net gives its moves, likeliest first."""
    board = chess.Board()
    for uci in row["before"].split():
        board.push_uci(uci)
    conditions = Conditions(row["seconds"], POOLS.get(row["source"], 2))
    moves, shares = load_model().shares(board, [(row["own"], row["other"])], conditions)
    share = {move.uci(): round(float(shares[0, i]), 6) for i, move in enumerate(moves)}
    told = {move: [share[move], *losses] for move, (_, *losses) in row["moves"].items()}
    return row | {"moves": dict(sorted(told.items(), key=lambda item: -item[1][0]))}


def samples_of(paths: Iterable[Path], *, anew: bool) -> list[Sample]:
    """The measured positions of files, with the shares they were measured with or those of the shipped net."""
    if not anew:
        return [sample for path in paths for sample in read_samples(path)]
    lines = [line for path in paths for line in path.read_text().splitlines() if line.endswith("}")]
    return [sample_of(said_anew(json.loads(line))) for line in lines]


def after(board: chess.Board, move: str, ask: Ask, nodes: int) -> float:
    """Expected score of the mover after the move."""
    board.push_uci(move)
    try:
        if board.is_checkmate():
            return 1.0
        if board.is_stalemate() or board.is_insufficient_material():
            return 0.5
        return 1 - ask(board, nodes).expected()
    finally:
        board.pop()
