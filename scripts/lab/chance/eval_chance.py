"""How well the shipped chances foretell real moves: nats a move and first-choice hits, with baselines.

    scripts/run eval_chance GAMES.tsv.gz --aside --games 1200 --train GAMES.tsv.gz
    scripts/run eval_chance OTHER.tsv.gz --pool 2 --seconds 600
    scripts/run eval_chance ../shared/data/human_games.tsv.gz --aside --games 0 --losses aside.jsonl
    scripts/run eval_chance OTHER.tsv.gz --games 0 --engine /usr/games/stockfish --sample 600

--aside keeps only the games that were kept aside from fitting (folds 0-3 of 100, a hash of the moves). Every position
to the 50th ply counts; games are taken in an order fixed by their moves. Intervals: 95 %, bootstrap over games.
--pool and --seconds tell the net the same of every game, instead of its own pool and thinking time (0: unknown).
--train fits the logit baseline on the fit folds of that file. A second table is of one position a game, plies 6 to 30:
the net, joined with an engine's losses, and the baselines, an engine without the net among them. The losses are
measured on --sample games by --engine (the engine alone: all legal moves at 300 and 2,000 nodes, a logit with ratings
fitted on the other half), or read from a file of scripts/run measure_losses (then without the engine alone: it holds
likely moves).
"""

import argparse
import contextlib
import hashlib
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import chess
import chess.engine
import numpy as np

from scripts.lab.chance import features
from scripts.lab.chance.games import MAX_PLIES, PACES, POOLS, PRESENT, TEST_FOLDS, Game, fold_of, in_order, read_games
from scripts.lab.chance.judge import engine_only
from scripts.lab.chance.logit import conditional_logit
from scripts.lab.chance.losses import Ask, after, asking, measure, plain_settings, ply_of
from tests.chance.samples import judged, read_samples, sample_of
from trapscan.chance import load_model
from trapscan.chance.correction import JOIN, Join
from trapscan.chance.net import Conditions, NetModel

LEVELS = ((0, 1000), (1000, 1300), (1300, 1600), (1600, 1900), (1900, 2200), (2200, 4000))
DRAW = 6
"""Which position of a game is looked at: that of scripts/run measure_losses."""
PLIES = ((0, 6), (6, 10), (10, 16), (16, 24), (24, 50), (6, 31))
GROUPS = ("abcde", "f", "g", "h", "i", "l", "p", "r")
"""Sources that a table tells apart."""


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("games_file", nargs="+", type=Path)
    ask.add_argument("--aside", action="store_true")
    ask.add_argument("--games", type=int, default=10**9, help="at most so many games")
    ask.add_argument("--sources", default="", help="only these source letters")
    ask.add_argument("--net", nargs="+", type=Path, default=[], help="other nets than the shipped one, to compare")
    ask.add_argument("--pool", type=int)
    ask.add_argument("--seconds", type=float)
    ask.add_argument("--train", type=Path)
    losses = ask.add_mutually_exclusive_group()
    losses.add_argument("--losses", type=Path)
    losses.add_argument("--engine")
    ask.add_argument("--sample", type=int, default=600)
    args = ask.parse_args()
    games = [g for path in args.games_file for g in read_games(path) if not args.sources or g.source in args.sources]
    if args.aside:
        games = [game for game in games if fold_of(game) in TEST_FOLDS]
    games = [as_told(game, args.seconds) for game in in_order(games)]
    logit = fit_logit(args.train) if args.train else None
    if args.games:
        nets = [NetModel(path.read_bytes()) for path in args.net] if args.net else [load_model()]
        every_ply(games[: args.games], logit, args.pool, nets)
    if args.losses or args.engine:
        one_a_game(games, args, logit)


def as_told(game: Game, seconds: float | None) -> Game:
    """The game with the thinking time that the net is told."""
    return game if seconds is None else replace(game, seconds=seconds)


def every_ply(games: list[Game], logit: np.ndarray | None, pool: int | None, nets: list[NetModel]) -> None:
    """The table of all positions of the games, by the first net; how the others differ."""
    rows, *others = (
        np.array([row for number, game in enumerate(games) for row in judge(number, game, logit, pool, net)])
        for net in nets
    )
    print(f"{len(games)} games, {len(rows)} positions; {nets[0].name}")
    head = f"{'':14}{'positions':>10}  {'nats':24}{'first choice %':24}uniform"
    print(head + ("  logit nats/first" if logit is not None else ""))
    for name, pick in [*parts(rows), *kinds(rows, games)]:
        line(name, rows[pick], logit is not None)
        for other in others:
            against(rows[pick], other[pick])


def parts(rows: np.ndarray) -> Iterator[tuple[str, np.ndarray]]:
    """Names and masks: all, by level, by ply."""
    yield "all", np.ones(len(rows), bool)
    for column, kind, ranges in ((1, "", LEVELS), (2, "ply ", PLIES)):
        for low, high in ranges:
            name = f"{kind}{low}-{high - 1 if kind else high}"
            yield name, (rows[:, column] >= low) & (rows[:, column] < high)


def kinds(rows: np.ndarray, games: list[Game]) -> Iterator[tuple[str, np.ndarray]]:
    """Names and masks: by source and by thinking time."""
    game = rows[:, 0].astype(int)
    source, seconds = np.array([each.source for each in games])[game], np.array([each.seconds for each in games])[game]
    for letters in GROUPS:
        yield f"source {letters}", np.isin(source, list(letters))
    for low, high in PACES:
        yield f"{low}-{high - 1} s", (seconds >= low) & (seconds < high)


def one_a_game(games: list[Game], args: argparse.Namespace, logit: np.ndarray | None) -> None:
    """The table of positions whose losses are known: nats and first choices of each way to foretell."""
    names = ["net", "joined", "uniform"] + ["logit"] * (logit is not None) + ["engine only"] * bool(args.engine)
    known = {(row.epd, row.own, row.played): row for row in read_samples(args.losses)} if args.losses else {}
    rows: list[list[float]] = []
    tables: list[np.ndarray] = []
    levels: list[float] = []
    chosen: list[int] = []
    with chess.engine.SimpleEngine.popen_uci(args.engine) if args.engine else contextlib.nullcontext() as engine:
        if engine is not None:
            engine.configure(plain_settings(engine))
        for number, game in enumerate(g for g in games if len(g.moves) > 6):
            if len(rows) == args.sample and engine is not None:
                break
            ply = ply_of(game, DRAW)
            board, own, played = chess.Board(), game.black if ply % 2 else game.white, game.moves[ply]
            for uci in game.moves[:ply]:
                board.push_uci(uci)
            sample = known.get((board.epd(), own, played))
            if engine is not None:
                sample = sample_of(measure(game, asking(engine), 2_000, 20_000, ply))
                tables.append(all_losses(board, asking(engine)))
            if sample is None:
                continue
            moves = list(board.legal_moves)
            chosen.append(moves.index(chess.Move.from_uci(played)))
            levels.append(own)
            row = [number, own, ply, *judged(sample, Join()), *judged(sample, JOIN)]
            row += [np.log(len(moves)), 1 / len(moves)]
            if logit is not None:
                u = features.table(board, moves, own) @ logit
                row += [np.log(np.exp(u - u[chosen[-1]]).sum()), u.argmax() == chosen[-1]]
            rows.append([float(value) for value in row])
    if engine is not None:
        rows = [
            row + list(map(float, pair)) for row, pair in zip(rows, engine_only(tables, levels, chosen), strict=True)
        ]
    table = np.array(rows)
    print(f"{len(table)} positions, one a game, plies 6-30, losses known: nats (95 %), first choice %")
    print(f"{'':12}{'positions':>10}" + "".join(f"  {name:32}" for name in names))
    for name, pick in parts(table):
        part = table[pick]
        if len(part) < 50:
            continue
        told = f"{name:12}{len(part):10d}"
        for i in range(len(names)):
            low, high = bootstrap(part[:, 0], part[:, 3 + 2 * i])
            mean, hits = part[:, 3 + 2 * i].mean(), 100 * part[:, 4 + 2 * i].mean()
            told += f"  {f'{mean:.4f} ({low:.3f}-{high:.3f})  {hits:.1f}':32}"
        print(told)
    gained = table[:, 5] - table[:, 3]
    low, high = bootstrap(table[:, 0], gained)
    print(f"joined less net, the same positions: {gained.mean():+.4f} ({low:+.4f} to {high:+.4f})")


def all_losses(board: chess.Board, ask: Ask) -> np.ndarray:
    """(legal moves, 2): losses at 300 and at 2,000 nodes."""
    values = np.array([[after(board, move.uci(), ask, nodes) for nodes in (300, 2_000)] for move in board.legal_moves])
    losses: np.ndarray = values.max(axis=0) - values
    return losses


def judge(
    number: int, game: Game, logit: np.ndarray | None, pool: int | None, model: NetModel
) -> list[tuple[float, ...]]:
    """Rows (game, rating, ply, nats, first hit, first-three hit, uniform nats, logit nats, logit hit)."""
    boards, out = positions(game), []
    conditions = Conditions(game.seconds, POOLS.get(game.source, PRESENT) if pool is None else pool)
    both = [(game.white, game.black), (game.black, game.white)]
    for ply, (board, (moves, shares)) in enumerate(zip(boards, model.shares_of(boards, both, conditions), strict=True)):
        own, here = both[ply % 2][0], shares[ply % 2]
        which = moves.index(chess.Move.from_uci(game.moves[ply]))
        place = int((here > here[which]).sum())
        row = [number, own, ply, -np.log(here[which]), place == 0, place < 3, np.log(len(moves)), 0.0, 0.0]
        if logit is not None:
            u = features.table(board, moves, own) @ logit
            row[7], row[8] = np.log(np.exp(u - u[which]).sum()), u.argmax() == which
        out.append(tuple(map(float, row)))
    return out


def positions(game: Game) -> list[chess.Board]:
    """The positions in which a move was played, with the moves that led there."""
    board, out = chess.Board(), []
    for uci in game.moves[:MAX_PLIES]:
        out.append(board.copy())
        board.push_uci(uci)
    return out


def fit_logit(path: Path, positions: int = 6000) -> np.ndarray:
    """The baseline's weights, from one position a game."""
    games = [g for g in read_games(path) if len(g.moves) > 4 and fold_of(g) not in TEST_FOLDS]
    tables, chosen = [], []
    for game in in_order(games[::5])[:positions]:
        board = chess.Board()
        ply = hashlib.sha256(" ".join(game.moves).encode()).digest()[7] % min(len(game.moves), MAX_PLIES)
        for uci in game.moves[:ply]:
            board.push_uci(uci)
        moves = list(board.legal_moves)
        tables.append(features.table(board, moves, game.white if board.turn else game.black))
        chosen.append(moves.index(chess.Move.from_uci(game.moves[ply])))
    return conditional_logit(tables, chosen)


def against(rows: np.ndarray, other: np.ndarray) -> None:
    """How much less another net loses in the same positions."""
    if len(rows) >= 50:
        low, high = bootstrap(rows[:, 0], other[:, 3] - rows[:, 3])
        nats, hits = (other[:, column].mean() - rows[:, column].mean() for column in (3, 4))
        print(f"{'':14}  the other net: {nats:+.4f} ({low:+.4f} to {high:+.4f}) nats, {100 * hits:+.2f} %")


def line(name: str, rows: np.ndarray, logit: bool) -> None:
    """One line of the table."""
    if len(rows) < 50:
        return
    parts = [name.ljust(14), f"{len(rows):10d}"]
    for column, factor, form in ((3, 1, ".4f"), (4, 100, ".2f")):
        low, high = bootstrap(rows[:, 0], rows[:, column] * factor)
        parts.append(f"  {rows[:, column].mean() * factor:{form}} ({low:{form}} to {high:{form}})".ljust(24))
    parts.append(f"{rows[:, 6].mean():7.3f}")
    if logit:
        parts.append(f"  {rows[:, 7].mean():.3f} / {100 * rows[:, 8].mean():.1f} %")
    print("".join(parts))


def bootstrap(game: np.ndarray, value: np.ndarray, draws: int = 400) -> tuple[float, float]:
    """95 % interval of the mean, drawing whole games."""
    _, index = np.unique(game, return_inverse=True)
    sums, counts = np.bincount(index, value), np.bincount(index)
    random = np.random.default_rng(0)
    picks = random.integers(0, len(sums), (draws, len(sums)))
    means = sums[picks].sum(1) / counts[picks].sum(1)
    low, high = np.percentile(means, [2.5, 97.5])
    return float(low), float(high)


if __name__ == "__main__":
    main()
