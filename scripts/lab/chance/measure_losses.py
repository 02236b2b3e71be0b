"""What an engine says the likely moves of real positions lose: the material the join and its checks are made from.

    scripts/run measure_losses ../shared/data/human_games.tsv.gz --fold choose --out fit.jsonl
    scripts/run measure_losses ../shared/data/human_games.tsv.gz --fold aside --limit 4200 --out aside.jsonl

One position a game, ply 6 to 30, fixed by a hash of the moves; only games the net never saw (folds 4, or 0 to 3).
Every move the net gives 0.4 % at the mover's rating, at most 14, and the move played, is searched for --shallow nodes;
where the loss is within 0.063 of the slip threshold of 0.10, again for --deep nodes, as the scan does.
"""

import argparse
import contextlib
import json
from pathlib import Path

import chess.engine

from scripts.lab.chance.games import CHECK_FOLDS, TEST_FOLDS, fold_of, in_order, read_games
from scripts.lab.chance.losses import asking, driven, measure, plain_settings, ply_of


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("games", nargs="+", type=Path)
    ask.add_argument("--fold", choices=("choose", "aside"), required=True)
    ask.add_argument("--engine", default="/usr/games/stockfish")
    ask.add_argument(
        "--as-scan", action="store_true", help="drive the engine as a scan does: for those that count badly"
    )
    ask.add_argument("--shallow", type=int, default=2_000)
    ask.add_argument("--deep", type=int, default=20_000)
    ask.add_argument("--skip", type=int, default=0)
    ask.add_argument("--limit", type=int, default=100_000)
    ask.add_argument("--draw", type=int, default=6, help="another number, another ply of each game")
    ask.add_argument("--rating", type=int, nargs=2, default=(0, 9999), metavar=("LOW", "HIGH"), help="of the mover")
    ask.add_argument("--pace", type=int, nargs=2, default=(0, 10**7), metavar=("LOW", "HIGH"), help="thinking time")
    ask.add_argument("--out", type=Path, required=True)
    args = ask.parse_args()
    folds = CHECK_FOLDS if args.fold == "choose" else TEST_FOLDS
    games = [g for path in args.games for g in read_games(path) if len(g.moves) > 6 and fold_of(g) in folds]
    games = in_order(game for game in games if args.pace[0] <= game.seconds < args.pace[1])
    with contextlib.ExitStack() as stack:
        if args.as_scan:
            engine, score = driven(args.engine)
            stack.enter_context(engine)
        else:
            plain = stack.enter_context(chess.engine.SimpleEngine.popen_uci(args.engine))
            plain.configure(plain_settings(plain))
            score = asking(plain)
        out = stack.enter_context(args.out.open("w"))
        for game in games[args.skip :][: args.limit]:
            ply = ply_of(game, args.draw)
            if not args.rating[0] <= (game.black if ply % 2 else game.white) < args.rating[1]:
                continue
            out.write(json.dumps(measure(game, score, args.shallow, args.deep, ply)) + "\n")
            out.flush()


if __name__ == "__main__":
    main()
