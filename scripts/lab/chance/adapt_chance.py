"""Fit the steering of the shipped net's last block by ratings anew with games of a new kind, on one processor core.
Needs PyTorch and onnx.

    scripts/run adapt_chance ../shared/data/human_games.tsv.gz ../shared/data/human_games_rapid_2022.tsv.gz \
        --new r --out adapted.onnx

Folds as in fit_chance: 0-3 of 100 are never looked at, fold 4 tells how it went. Two positions of each game of the
sources --new and one of each of the others go through the blocks before the last once (FIT says how many games of
each). Of the others the net learns mostly its own opinion, so that they get no worse. Repeats from its seed.
"""

import argparse
import time
from collections import defaultdict
from pathlib import Path
from random import Random

import numpy as np
import torch

from scripts.lab.chance.adapt import Adapting, Drawn, Known, adapt, chances, draw, known
from scripts.lab.chance.export import write
from scripts.lab.chance.games import Game, in_order, read_games, split
from scripts.lab.chance.shipped import read_shipped

FIT = {
    "r": 26_000, "a": 4_500, "b": 6_000, "c": 3_500, "d": 600, "e": 500, "f": 4_500, "i": 2_500, "p": 2_500,
    "l": 2_000, "g": 1_500, "h": 700,
}  # fmt: skip
"""Games of each source that are learnt from, the first in an order fixed by their moves."""
TIMES = {"p": 2.0, "l": 1.5}
"""How often a position of a source is drawn, where not once: these two lose most by games of another kind."""


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("games", nargs="+", type=Path)
    ask.add_argument("--new", default="r", help="letters of the sources that are new")
    ask.add_argument("--net", type=Path, default=Path("trapscan/chance/policy.onnx"))
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--share", type=float, default=0.6, help="of the new games in what is learnt")
    ask.add_argument("--keep", type=float, default=0.8, help="weight of the net's own opinion in the other games")
    ask.add_argument("--steps", type=int, default=Adapting.steps)
    ask.add_argument("--rate", type=float, default=Adapting.rate)
    ask.add_argument("--way", type=float, default=Adapting.way)
    ask.add_argument("--seed", type=int, default=0)
    ask.add_argument("--about", default="")
    args = ask.parse_args()
    torch.set_num_threads(1)
    begin = time.time()

    def say(text: str) -> None:
        print(f"{time.time() - begin:.0f} s: {text}", flush=True)

    to_fit, to_choose, _ = split(game for path in args.games for game in read_games(path) if game.moves)
    net, random = read_shipped(args.net), Random(1)
    data = known(net, drawn(to_fit, FIT, args.new, random, True), say)
    held = known(net, drawn(to_choose, dict.fromkeys(FIT, 200), args.new, random, False), say)
    fresh = np.isin(data.source, list(args.new))
    say(f"{fresh.sum()} positions of new games, {(~fresh).sum()} of others; {len(held)} to tell by")
    weights = np.array([TIMES.get(source, 1.0) for source in data.source])
    for part, share in ((fresh, args.share), (~fresh, 1 - args.share)):
        weights[part] *= share / weights[part].sum()
    keep = torch.from_numpy(np.where(fresh, 0.0, args.keep)).float()
    plan = Adapting(args.steps, rate=args.rate, way=args.way, seed=args.seed)
    fitted = adapt(net, data, torch.from_numpy(weights), keep, plan, say)
    say(compared(chances(fitted, held), held))
    write(fitted, args.out, args.about)
    say(f"{args.out}: {args.out.stat().st_size} bytes")


def drawn(games: list[Game], many: dict[str, int], new: str, random: Random, fit: bool) -> list[Drawn]:
    """Positions of so many games of each source, shuffled: to fit two of each new game, one of others; else eight."""
    of: dict[str, list[Game]] = defaultdict(list)
    for game in games:
        of[game.source].append(game)
    out: list[Drawn] = []
    for source, count in many.items():
        each = 8 if not fit else 2 if source in new else 1
        out += draw(in_order(of[source])[:count], each, random, fit)
    random.shuffle(out)
    return out


def compared(logs: torch.Tensor, data: Known) -> str:
    """Nats by source, and how much they differ from the shipped net's in the same positions."""
    out = []
    now, before = (-some.gather(1, data.played[:, None])[:, 0].numpy() for some in (logs, data.old))
    for source in sorted(set(data.source)):
        pick = data.source == source
        change = (now - before)[pick]
        error = change.std() / len(change) ** 0.5
        out.append(f"{source} {now[pick].mean():.4f} ({change.mean():+.4f} +- {error:.4f}, {pick.sum()})")
    return "fold 4: " + ", ".join(out)


if __name__ == "__main__":
    main()
