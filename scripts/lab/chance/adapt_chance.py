"""Fit the shipped net further on games of a new kind, without a GPU. Needs PyTorch and onnx.

    scripts/run adapt_chance NEW.tsv.gz --old ../shared/data/human_games.tsv.gz --out adapted.onnx --seconds 3600

Folds as in fit_chance: 0-3 of 100 are never looked at, fold 4 tells how it goes. Positions of the new games met more
than once are learnt as the shares of their moves. On old games (as many of each source, f twice) the net learns mostly
what the shipped one holds, so that they get no worse. With --steps instead of --seconds a run repeats from its seed.
"""

import argparse
import time
from collections import Counter
from pathlib import Path

import torch

from scripts.lab.chance.adapt import Adapting, adapt, grouped
from scripts.lab.chance.data import Batch, replay
from scripts.lab.chance.export import write
from scripts.lab.chance.games import Game, in_order, read_games, split
from scripts.lab.chance.network import Geometry, Net
from scripts.lab.chance.shipped import read_shipped
from scripts.lab.chance.train import inputs, masked_log


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("games", nargs="+", type=Path)
    ask.add_argument("--old", nargs="+", type=Path, required=True)
    ask.add_argument("--net", type=Path, default=Path("trapscan/chance/policy.onnx"))
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--seconds", type=float, default=3600)
    ask.add_argument("--steps", type=int, default=0)
    ask.add_argument("--batch", type=int, default=128)
    ask.add_argument("--rate", type=float, default=2e-4)
    ask.add_argument("--fresh", type=float, default=0.65, help="share of the new games in what is learnt")
    ask.add_argument("--first", type=int, default=0, help="leave the blocks before this one as they are")
    ask.add_argument("--seed", type=int, default=0)
    ask.add_argument("--each", type=int, default=600, help="old games of each source")
    ask.add_argument("--about", default="")
    args = ask.parse_args()
    torch.set_num_threads(1)
    begin = time.time()

    def say(text: str) -> None:
        print(f"{time.time() - begin:.0f} s: {text}", flush=True)

    new, new_check, _ = split(game for path in args.games for game in read_games(path))
    past, past_check, _ = split(game for path in args.old for game in read_games(path))
    fresh = grouped(replay(new, "cpu"))
    share = float(fresh.counts[fresh.counts > 1].sum() / fresh.counts.sum())
    say(f"{len(new)} new games, {int(fresh.counts.sum())} positions, {len(fresh.counts)} apart; {share:.2f} met again")
    old = replay(evenly(past, args.each), "cpu")
    checks = {"new": replay(in_order(new_check)[:40], "cpu"), "old": replay(evenly(past_check, 5), "cpu")}
    say(f"{len(old)} old positions")
    net = read_shipped(args.net)
    say(told(net, checks))
    plan = Adapting(args.seconds, args.steps, args.batch, args.fresh, args.rate, first=args.first, seed=args.seed)
    fitted = adapt(net, fresh, old, plan, say, lambda average: told(average, checks))
    say(told(fitted, checks))
    write(fitted, args.out, args.about)
    say(f"{args.out}: {args.out.stat().st_size} bytes")


def evenly(games: list[Game], each: int) -> list[Game]:
    """So many games of each source, of f twice as many: the first in an order fixed by their moves."""
    taken: Counter[str] = Counter()
    out = []
    for game in in_order(games):
        if taken[game.source] < each * (2 if game.source == "f" else 1):
            taken[game.source] += 1
            out.append(game)
    return out


@torch.no_grad()
def told(net: Net, checks: dict[str, Batch]) -> str:
    """Nats over moves without a look at checks, so a little high."""
    geometry, out = Geometry(), []
    for name, batch in checks.items():
        total = 0.0
        for at in range(0, len(batch), 128):
            part = batch[at : at + 128]
            mask, given = inputs(part, geometry)
            with torch.autocast("cpu", torch.bfloat16):
                logits = net(*given)
            total -= float(masked_log(logits, mask).gather(1, part.move.long()[:, None]).sum())
        out.append(f"{name} {total / len(batch):.4f} ({len(batch)})")
    return "fold 4: " + ", ".join(out)


if __name__ == "__main__":
    main()
