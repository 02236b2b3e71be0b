"""Fit what a centipawn is worth by level: E = 1/(1+exp(-k cp)) on results of games between equals. Needs Stockfish.

    scripts/run fit_expected ../shared/data/human_games.tsv.gz --engine /usr/games/stockfish --a-band 1300

One position a game (ply 16 to 40, from a hash of the moves), both ratings within 100. Prints k and its standard error a
band, and the curve that trapscan.chance.value ships.
"""

import argparse
import hashlib
import itertools
import json
import math
from pathlib import Path

import chess
import chess.engine
import numpy as np

from scripts.lab.chance.games import Game, read_games
from tests.independent.scores import settled_score

EDGES = (0, 900, 1100, 1300, 1500, 1700, 1900, 2100, 4000)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("games", nargs="+", type=Path)
    ask.add_argument("--engine", default="/usr/games/stockfish")
    ask.add_argument("--nodes", type=int, default=10_000)
    ask.add_argument("--a-band", type=int, default=1300, help="positions a band of levels")
    ask.add_argument("--out", type=Path, help="where the positions' scores are kept, as JSON")
    args = ask.parse_args()
    chosen = choose([game for path in args.games for game in read_games(path)], args.a_band)
    rows = []
    with chess.engine.SimpleEngine.popen_uci(args.engine) as engine:
        engine.configure({"Threads": 1, "Hash": 16})
        for game in chosen:
            board = chess.Board()
            for uci in game.moves[: ply_of(game)]:
                board.push_uci(uci)
            if board.is_game_over():
                continue
            told, _ = settled_score(engine, board, chess.engine.Limit(nodes=args.nodes))
            cp = told.white().score(mate_score=3000)
            rows.append(((game.white + game.black) / 2, max(-1500, min(1500, cp)), game.result))
    if args.out:
        args.out.write_text(json.dumps(rows))
    report(np.array(rows))


def ply_of(game: Game) -> int:
    """The ply looked at: 16 to 40, fixed by the moves."""
    last = min(40, len(game.moves))
    return 16 + hashlib.sha256(" ".join(game.moves).encode()).digest()[5] % (last - 15)


def choose(games: list[Game], a_band: int) -> list[Game]:
    """Games between equals long enough, `a_band` of each band, in an order fixed by their moves."""
    equal = [g for g in games if abs(g.white - g.black) <= 100 and len(g.moves) >= 16]
    equal.sort(key=lambda g: hashlib.sha256(" ".join(g.moves).encode()).digest())
    bands: list[list[Game]] = [[] for _ in EDGES[1:]]
    for game in equal:
        band = bands[int(np.searchsorted(EDGES, (game.white + game.black) / 2, side="right")) - 1]
        if len(band) < a_band:
            band.append(game)
    return [game for band in bands for game in band]


def fit(cp: np.ndarray, result: np.ndarray) -> tuple[float, float, float]:
    """k, its standard error, and the first-move bias in centipawns, by maximum likelihood of a fractional logit."""
    facts = np.stack([cp, np.ones_like(cp)], 1)
    weights = np.array([0.002, 0.0])
    for _ in range(30):
        p = 1 / (1 + np.exp(-facts @ weights))
        hessian = (facts * (p * (1 - p))[:, None]).T @ facts
        weights = weights + np.linalg.solve(hessian, facts.T @ (result - p))
    p = 1 / (1 + np.exp(-facts @ weights))
    spread = (facts * ((result - p) ** 2)[:, None]).T @ facts
    inverse = np.linalg.inv((facts * (p * (1 - p))[:, None]).T @ facts)
    return float(weights[0]), math.sqrt((inverse @ spread @ inverse)[0, 0]), float(weights[1] / weights[0])


def report(rows: np.ndarray) -> None:
    """The table."""
    print("band        mean level  positions        k   error")
    for low, high in itertools.pairwise(EDGES):
        part = rows[(rows[:, 0] >= low) & (rows[:, 0] < high)]
        if len(part) < 100:
            continue
        k, error, _ = fit(part[:, 1], part[:, 2])
        print(f"{low:4d}-{high:4d}  {part[:, 0].mean():10.0f}  {len(part):9d}  {k:.5f} {error:.5f}")


if __name__ == "__main__":
    main()
