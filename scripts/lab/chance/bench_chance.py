"""How fast chances are predicted and game files are counted, in processor time on one core.

    scripts/run bench_chance ../shared/data/human_games.tsv.gz ../shared/data/openings/c.tsv

Chances: positions of plies 6 to 30 of the games. Counting: the first --games games written as PGN (every other one with
clock comments), counted for the positions of the named openings; the first tenth is counted again with python-chess's
own reader, and both counts must be equal. Each figure is the best of three (chances: the best of five for every call):
what else the machine does slows it.
"""

import argparse
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from functools import partial
from itertools import islice
from pathlib import Path

import chess
import chess.pgn

from scripts.lab.chance.games import Game, read_games
from scripts.lab.chance.written import as_pgn, named_positions
from trapscan.chance import count_games, load_model
from trapscan.explain.tempt import why_tempting
from trapscan.model import ChanceModel

LEVELS = (1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400)
PLIES = 40


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("games_file", type=Path)
    ask.add_argument("openings", nargs="+", type=Path, help="ECO code, name, moves, by tabs")
    ask.add_argument("--games", type=int, default=3000)
    ask.add_argument("--positions", type=int, default=200)
    args = ask.parse_args()
    games = list(islice((game for game in read_games(args.games_file) if len(game.moves) > 31), args.games))
    chances([board_at(game, 6 + i % 25) for i, game in enumerate(games[: args.positions])])
    counting(games, named_positions(args.openings))


def seconds(work: Callable[[], object]) -> float:
    """Processor time of this process, the best of three."""
    best = float("inf")
    for _ in range(3):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def least(model: ChanceModel, parts: list[list[chess.Board]], levels: tuple[int, ...]) -> list[float]:
    """Processor time of each call, the least of five rounds: a round is long enough for other work to fall into it."""
    best = [float("inf")] * len(parts)
    for _ in range(5):
        for i, part in enumerate(parts):
            start = time.process_time()
            model.predict(part, levels)
            best[i] = min(best[i], time.process_time() - start)
    return best


def chances(boards: list[chess.Board]) -> None:
    model = load_model()
    model.predict(boards[:3], LEVELS)
    for levels in ((1500,), LEVELS):
        told = []
        for size in (1, 2, 4, 8, 16):
            parts = [boards[at : at + size] for at in range(0, len(boards), size)]
            spent = sum(least(model, parts, levels))
            told.append(f"{1000 * spent / len(boards):.2f} by {size}")
        print(f"chances at {len(levels)} level{'s' * (len(levels) > 1)}, ms a position: {', '.join(told)} a call")
    known = model.predict(boards, LEVELS)
    losses = [{move: (0.02 * i, 0.03 * i) for i, move in enumerate(list(here)[:12])} for here in known]
    spent = seconds(lambda: [model.join(*both, LEVELS) for both in zip(known, losses, strict=True)])
    print(f"joining 12 losses: {1000 * spent / len(boards):.2f} ms a position")
    moves = [(board, move) for board in boards for move in board.legal_moves]
    spent = seconds(lambda: [why_tempting(*both) for both in moves])
    print(f"why a move tempts: {1e6 * spent / len(moves):.0f} us a move")


def counting(games: list[Game], wanted: set[str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        whole, tenth = Path(folder) / "games.pgn", Path(folder) / "tenth.pgn"
        texts = [as_pgn(game, clock=bool(i % 2)) for i, game in enumerate(games)]
        whole.write_text("".join(texts))
        tenth.write_text("".join(texts[: len(texts) // 10]))
        for answers in (False, True):
            spent = seconds(partial(count_games, [whole], wanted, answers=answers, max_ply=PLIES))
            told = " with the answers" if answers else ""
            print(f"counting {len(wanted)} positions{told}: {len(texts) / spent:,.0f} games a second")
        counts = by_python_chess(tenth, wanted)
        spent = seconds(lambda: by_python_chess(tenth, wanted))
        found = count_games([tenth], wanted, max_ply=PLIES).counts
        flat = Counter({(epd, move): n for epd, moves in found.items() for move, n in moves.items()})
        print(f"python-chess's reader: {len(texts) // 10 / spent:,.0f} games a second; counts equal: {flat == counts}")
        if flat != counts:
            raise SystemExit("the counts differ")


def by_python_chess(path: Path, wanted: set[str]) -> Counter[tuple[str, str]]:
    counts: Counter[tuple[str, str]] = Counter()
    with path.open() as file:
        while (game := chess.pgn.read_game(file)) is not None:
            board = game.board()
            for move in islice(game.mainline_moves(), PLIES):
                if (epd := board.epd()) in wanted:
                    counts[epd, move.uci()] += 1
                board.push(move)
    return counts


def board_at(game: Game, ply: int) -> chess.Board:
    board = chess.Board()
    for uci in game.moves[:ply]:
        board.push_uci(uci)
    return board


if __name__ == "__main__":
    main()
