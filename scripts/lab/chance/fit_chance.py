"""Fit the move-choice net: game files in, weights and figures out. Needs PyTorch (a development extra only).

    scripts/run fit_chance GAMES... --out t0.pt --width 192 --blocks cccccccccc --early --seed 0
    scripts/run fit_chance GAMES... --out net.pt --committee t0.pt t1.pt --invent 300000
    torchrun --nproc-per-node 2 -m scripts.lab.chance.fit_chance GAMES... --out net.pt --committee t0.pt t1.pt

    scripts/run fit_chance GAMES... --out t0.pt --early --committee trapscan/chance/policy.onnx --wean --times r=2
    scripts/run fit_chance GAMES... --out net.pt --start trapscan/chance/policy.onnx --committee t0.pt t1.pt

GAMES are TSV files of the shared form or PGN files with ratings. Folds 0-3 of 100 (a hash of the moves) are kept aside
for the figures, fold 4 for choosing between nets. With --steps instead of --seconds a run repeats from its seed.
"""

import argparse
import json
import os
import time
from collections.abc import Callable
from pathlib import Path

import torch
import torch.distributed as dist

from scripts.lab.chance.data import HISTORY, Batch, replay
from scripts.lab.chance.games import PACES, POOLS, Game, read_games, split
from scripts.lab.chance.network import Geometry, Net, Shape
from scripts.lab.chance.shipped import read_shipped, with_norms
from scripts.lab.chance.train import Committee, Opinion, Plan, inputs, legal_of, score, train


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("games", nargs="+", type=Path)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--width", type=int, default=128)
    ask.add_argument("--blocks", default="cccccccc", help="c: convolution, a: attention; one letter a block")
    ask.add_argument("--early", action="store_true", help="the level enters at the input too (dearer to use)")
    ask.add_argument("--dropout", type=float, default=0.05)
    ask.add_argument("--seconds", type=float, default=430)
    ask.add_argument("--steps", type=int, default=0)
    ask.add_argument("--batch", type=int, default=4096)
    ask.add_argument("--rate", type=float, default=3e-3)
    ask.add_argument("--decay", type=float, default=0.05)
    ask.add_argument("--side", type=float, help="weight of the side tasks (0.15; with a committee 0)")
    ask.add_argument("--history", type=int, default=HISTORY, help="how many past moves the net is told")
    ask.add_argument("--start", type=Path, help="go on from this net, of its shape")
    ask.add_argument("--hard", type=float, default=0.2)
    ask.add_argument("--wean", action="store_true", help="--hard grows to 1 in the course of the fit")
    ask.add_argument("--seed", type=int, default=0)
    ask.add_argument("--committee", nargs="*", type=Path, default=[])
    ask.add_argument("--invent", type=int, default=0, help="games each process lets the committee make up")
    ask.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    ask.add_argument("--times", nargs="*", default=[], metavar="SOURCE=N", help="take a source's games N times")
    ask.add_argument("--pool", nargs="*", default=[], metavar="SOURCE=N", help="another rating pool (0-3) for a source")
    ask.add_argument("--without", default="", help="sources that are not fitted, by letter")
    ask.add_argument("--cache", type=Path, help="where replayed games are kept between runs")
    args = ask.parse_args()
    rank, world = int(os.environ.get("RANK", 0)), int(os.environ.get("WORLD_SIZE", 1))
    device = "cuda" if torch.cuda.is_available() else "cpu"
    if device == "cuda":
        torch.cuda.set_device(int(os.environ.get("LOCAL_RANK", 0)))
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    if world > 1:
        dist.init_process_group("nccl" if device == "cuda" else "gloo")
    begin = time.time()

    def say(text: str) -> None:
        if rank == 0:
            print(f"{args.out.name} {time.time() - begin:.0f} s: {text}", flush=True)

    fit, check, test = split(game for path in args.games for game in read_games(path))
    POOLS.update(numbers(args.pool))
    often = numbers(args.times)
    fit = [game for game in fit if game.source not in args.without for _ in range(often.get(game.source, 1))]
    say(f"{len(fit)} games to fit, {len(check)} to choose by, {len(test)} kept aside")
    if args.cache and args.cache.exists():
        data = Batch(*torch.load(args.cache, map_location=device))
    else:
        data = replay(fit, device)
        if args.cache and rank == 0:
            torch.save(data.tensors(), args.cache)
    say(f"{len(data)} positions")
    side = args.side if args.side is not None else 0.0 if args.committee else Plan.side
    plan = Plan(
        args.seconds, args.steps, args.batch, args.rate, args.decay, args.seed, side, hard=args.hard, wean=args.wean
    )
    torch.manual_seed(plan.seed)
    shape = Shape(args.width, args.blocks, dropout=args.dropout, early_level=args.early, history=args.history)
    net = started(load(args.start), data, args.dropout) if args.start else Net(shape)
    opinion = None
    if args.committee:
        data = data[torch.arange(rank, len(data), world)]  # each process judges and learns its share
        data, opinion = taught(Committee([load(path) for path in args.committee], device), data, args.invent, rank, say)

    def batch_of(rows: torch.Tensor) -> tuple[Batch, Opinion | None]:
        return data[rows], Opinion(opinion.entries[rows], opinion.shares[rows]) if opinion else None

    fitted = train(net, batch_of, len(data), plan, device, say)
    if rank == 0:
        # batch statistics are already running averages; the weights are the averaged ones
        state = {name: value.half().cpu() for name, value in fitted.state_dict().items()}
        torch.save({"shape": fitted.shape.plain(), "state": state}, args.out)
        say("saved")
        report = {"out": args.out.name}
        for name, games in (("choose", check), ("aside", test)):
            if games:
                report[name] = figures(Committee([fitted], device), games, args.workers, device)
        print(json.dumps(report), flush=True)
    if world > 1:
        dist.barrier()
        dist.destroy_process_group()


def numbers(pairs: list[str]) -> dict[str, int]:
    """Numbers by source, of options SOURCE=N."""
    return {source: int(number) for source, _, number in (pair.partition("=") for pair in pairs)}


def started(net: Net, data: Batch, dropout: float) -> Net:
    """A net to go on from: with batch norms again where they were folded away."""
    some = data[torch.randint(len(data), (2048,), device=data.move.device)]
    _, counts = Geometry()(some.squares.cpu(), some.castling.cpu(), some.passant.cpu())
    given = inputs(Batch(*(fact.cpu() for fact in some.tensors())), counts, net.shape.history)
    return with_norms(net, given, dropout)


def load(path: Path) -> Net:
    """A saved net, or an exported one."""
    if path.suffix == ".onnx":
        return read_shipped(path)
    saved = torch.load(path, map_location="cpu", weights_only=True)
    net = Net(Shape(**saved["shape"]))
    net.load_state_dict(
        {name: value.float() if value.is_floating_point() else value for name, value in saved["state"].items()}
    )
    return net


def taught(
    committee: Committee, data: Batch, games: int, seed: int, say: Callable[[str], None]
) -> tuple[Batch, Opinion]:
    """Real positions as they are and with strange ratings, and invented games; all with the committee's opinion."""
    random = torch.Generator(data.move.device).manual_seed(seed + 77)
    opinion = committee.opinion(data)
    say("real positions judged")
    parts, opinions = [data], [opinion]
    if games:
        made, judged = committee.invent(data, games, seed + 1)
        say(f"{len(made)} positions invented and judged")
        parts.append(made)
        opinions.append(judged)
    strange = data[torch.randint(len(data), (len(data) // 4,), device=data.move.device, generator=random)]
    strange.ratings = torch.randint(600, 2700, (len(strange), 1), device=data.move.device, generator=random).repeat(
        1, 2
    )
    strange.ratings = strange.ratings.to(torch.int16)
    strange.move = torch.full_like(strange.move, -1)
    parts.append(strange)
    opinions.append(committee.opinion(strange))
    say("strange ratings judged")
    entries = torch.cat([part.entries for part in opinions])
    return Batch.join(parts), Opinion(entries, torch.cat([part.shares for part in opinions]))


def figures(committee: Committee, games: list[Game], workers: int, device: str) -> dict[str, list[float]]:
    """[nats, first choice, first three, positions] overall, for the sources apart, and by thinking time."""
    batch = replay(games, device)
    each = score(committee, batch, legal_of(games, workers))
    source = [games[row].source for row in batch.game.tolist()]
    chosen = {"all": torch.ones(len(batch), dtype=torch.bool)}
    chosen["a-e"] = torch.tensor([letter in "abcde" for letter in source])
    for letter in sorted(set(source)):
        chosen[letter] = torch.tensor([other == letter for other in source])
    seconds = batch.seconds.cpu()
    for low, high in PACES:
        chosen[f"{low}-{high - 1} s"] = (seconds >= low) & (seconds < high)
    ply = batch.ply.cpu()
    chosen["plies 6-30"] = (ply >= 6) & (ply <= 30)
    return {
        name: [round(float(x), 4) for x in each[pick.numpy()].mean(0)] + [int(pick.sum())]
        for name, pick in chosen.items()
        if pick.any()
    }


if __name__ == "__main__":
    main()
