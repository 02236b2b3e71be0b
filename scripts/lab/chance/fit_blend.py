"""How many games the model's word is worth: k of chance = (count + k model) / (N + k).

    scripts/run fit_blend ../shared/data/human_games.tsv.gz
    scripts/run fit_blend ../shared/data/human_games.tsv.gz --players

Games kept aside from the net's fit are dealt into two halves by a hash of their moves: one half is the evidence, the
other is foretold, in positions of the first 20 plies that the evidence knows. Prints nats a move by k.

--players: k against the games of one player. The games carry no names, so two kinds of stand-ins bound it. Players of
2500 and more in source p (games of single accounts), one colour, one time control: few accounts, some of them hardly
human. And, in source f, all with one colour and time control within 20 Elo of each other: several players, whose games
are worth less to each other than to themselves, so their k is too high. Each game is foretold from the others of its
group, in positions that came three times. Most of these games were fitted by the net, which makes k too high again.
"""

import argparse
import hashlib
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path

import chess
import numpy as np

from scripts.lab.chance.games import CHECK_FOLDS, POOLS, TEST_FOLDS, Game, fold_of, read_games
from trapscan.chance import load_model
from trapscan.chance.net import Conditions

LEVELS = (1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400)
KS = (1, 2, 3, 4, 6, 10, 15, 20, 30, 50, 80, 120, 200, 500, 1e9)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("games", type=Path)
    ask.add_argument("--plies", type=int, default=20)
    ask.add_argument("--least", type=int, default=2, help="games of evidence a position needs")
    ask.add_argument("--players", action="store_true")
    args = ask.parse_args()
    if args.players:
        strong, near = stand_ins(args.games)
        for name, groups in (("2500 and more", strong), ("within 20 Elo", near)):
            drawn = np.array([row for group in groups for row in foretold(group, args.plies)])
            print(f"{name}: {len(groups)} groups, {sum(map(len, groups))} games, {len(drawn)} moves")
            told(drawn)
        return
    known: dict[str, Counter[str]] = defaultdict(Counter)
    asked: dict[str, list[tuple[int, str]]] = defaultdict(list)
    boards: dict[str, chess.Board] = {}
    for game in read_games(args.games):
        if fold_of(game) not in TEST_FOLDS and fold_of(game) not in CHECK_FOLDS:
            continue
        evidence = hashlib.sha256(" ".join(game.moves).encode()).digest()[9] % 2
        for board, uci in positions(game, args.plies):
            epd = board.epd()
            if evidence:
                known[epd][uci] += 1
            else:
                asked[epd].append((game.white if board.turn else game.black, uci))
                boards.setdefault(epd, board.copy())
    rows: list[tuple[int, int, float]] = []
    for epd, cases in asked.items():
        total = sum(known[epd].values())
        if total < args.least:
            continue
        (chances,) = load_model().predict([boards[epd]], LEVELS)
        for rating, uci in cases:
            share = chances[uci][int(np.argmin([abs(level - rating) for level in LEVELS]))]
            rows.append((total, known[epd][uci], max(share, 1e-6)))
    table = np.array(rows)
    print(f"{len(table)} moves in {sum(sum(known[e].values()) >= args.least for e in asked)} positions")
    for low, high in ((args.least, 10), (10, 50), (50, 10**9), (args.least, 10**9)):
        print(f"N {low}-{high - 1}: {((table[:, 0] >= low) & (table[:, 0] < high)).sum()} moves")
        told(table[(table[:, 0] >= low) & (table[:, 0] < high)])


def told(rows: np.ndarray) -> None:
    """Nats a move by k; rows are (games of evidence, of them with this move, the model's share)."""
    print("  ", *(f"k={k:g} {-np.log((rows[:, 1] + k * rows[:, 2]) / (rows[:, 0] + k)).mean():.4f}" for k in KS))


def positions(game: Game, plies: int) -> Iterator[tuple[chess.Board, str]]:
    """The position before each of the first moves, and the move."""
    board = chess.Board()
    for uci in game.moves[:plies]:
        yield board, uci
        board.push_uci(uci)


Groups = list[list[tuple[Game, chess.Color]]]
LEAST_GAMES, MOST_GROUPS = 25, 80


def stand_ins(path: Path) -> tuple[Groups, Groups]:
    """Groups of games with the colour looked at: by strong players, and by players of nearly one rating."""
    strong: dict[tuple[object, ...], list[tuple[Game, chess.Color]]] = defaultdict(list)
    near: dict[tuple[object, ...], list[tuple[Game, chess.Color]]] = defaultdict(list)
    for game in read_games(path):
        for colour, own, other in ((chess.WHITE, game.white, game.black), (chess.BLACK, game.black, game.white)):
            if game.source == "p" and own >= 2500 and other < own - 100:
                strong[colour, game.seconds].append((game, colour))
            if game.source == "f":
                near[colour, game.seconds, own // 20].append((game, colour))
    large = [sorted(groups.items(), key=lambda item: str(item[0])) for groups in (strong, near)]
    first, second = ([group for _, group in groups if len(group) >= LEAST_GAMES] for groups in large)
    return first, second[:: max(1, len(second) // MOST_GROUPS)]


def foretold(group: list[tuple[Game, chess.Color]], plies: int, times: int = 3) -> list[tuple[float, float, float]]:
    """Rows as `told` takes them: every move of every game from the other games of the group."""
    found: dict[str, list[str]] = defaultdict(list)
    boards: dict[str, tuple[chess.Board, int, int]] = {}
    for game, colour in group:
        own, other = (game.white, game.black) if colour else (game.black, game.white)
        for board, uci in positions(game, plies):
            if board.turn == colour:
                found[board.epd()].append(uci)
                boards.setdefault(board.epd(), (board.copy(), own, other))
    rows = []
    first = group[0][0]
    conditions = Conditions(first.seconds, POOLS[first.source])
    for epd, cases in found.items():
        if len(cases) < times:
            continue
        board, own, other = boards[epd]
        moves, shares = load_model().shares(board, [(own, other)], conditions)
        share = {move.uci(): float(value) for move, value in zip(moves, shares[0], strict=True)}
        counts = Counter(cases)
        rows += [(len(cases) - 1.0, counts[uci] - 1.0, max(share[uci], 1e-6)) for uci in cases]
    return rows


if __name__ == "__main__":
    main()
