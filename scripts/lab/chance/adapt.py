"""Fitting a shipped net further on games of a new kind: what it learnt stays, on games of the old kinds, by its own
opinion of them; positions met more than once are learnt as the shares of their moves."""

from __future__ import annotations

import copy
import time
from collections.abc import Callable
from dataclasses import dataclass
from random import Random

import numpy as np
import torch
from torch import Tensor, nn

from scripts.lab.chance.data import Batch
from scripts.lab.chance.network import Geometry, Net
from scripts.lab.chance.train import inputs, masked_log


@dataclass(frozen=True)
class Adapting:
    """How: `seconds` of wall time, or `steps`; of each batch the share `fresh` is of the new games."""

    seconds: float = 1800
    steps: int = 0
    batch: int = 128
    fresh: float = 0.65
    rate: float = 2e-4
    hard: float = 0.2
    """On old games: weight of the move played against the shipped net's opinion."""
    average: float = 0.99
    first: int = 0
    """Blocks before this one stay as they are, and so does the stem."""
    seed: int = 0


@dataclass
class Grouped:
    """Positions with what was played in them: rows `starts[i]` to `starts[i + 1]` of `moves` and `shares`."""

    positions: Batch
    counts: Tensor  # (N,) float
    starts: Tensor  # (N + 1,) int64
    moves: Tensor  # int64
    shares: Tensor  # float, summing to 1 a position

    def targets(self, rows: Tensor) -> Tensor:
        """(rows, 4096) shares played."""
        out = torch.zeros(len(rows), 4096)
        for i, row in enumerate(rows.tolist()):
            span = slice(int(self.starts[row]), int(self.starts[row + 1]))
            out[i, self.moves[span]] = self.shares[span]
        return out


def grouped(batch: Batch, band: int = 200) -> Grouped:
    """Equal positions (board, rights, last moves, ply, own rating by `band`) as one; ratings and time their mean."""
    own = batch.ratings[:, 0].numpy() // band
    facts = [batch.squares.numpy(), batch.castling.numpy(), batch.recent.flatten(1).numpy()]
    table = np.hstack([*facts, own[:, None].astype(np.uint8), batch.ply.numpy()[:, None].astype(np.uint8)])
    random = Random(0)
    factors = [np.int64(random.getrandbits(62)) for _ in range(table.shape[1])]
    keys = np.zeros(len(table), np.int64)
    for i in range(table.shape[1]):  # a hash of each row
        keys = (keys ^ (table[:, i].astype(np.int64) * factors[i])) * np.int64(0x9E3779B97F4A7C1)
    _, first, group, counts = np.unique(keys, return_index=True, return_inverse=True, return_counts=True)
    played, pairs = np.unique(group * 4096 + batch.move.numpy().astype(np.int64), return_counts=True)
    where = played // 4096
    starts = np.searchsorted(where, np.arange(len(first) + 1))
    positions = batch[torch.from_numpy(first)]
    for name in ("ratings", "seconds"):
        values = getattr(batch, name).numpy().reshape(len(keys), -1).astype(float)
        means = np.stack([np.bincount(group, column) / counts for column in values.T], 1)
        old = getattr(positions, name)
        setattr(positions, name, torch.from_numpy(means).reshape(old.shape).to(old.dtype))
    shares = pairs / counts[where]
    return Grouped(
        positions,
        torch.from_numpy(counts).float(),
        torch.from_numpy(starts),
        torch.from_numpy(played % 4096),
        torch.from_numpy(shares).float(),
    )


def adapt(
    net: Net,
    fresh: Grouped,
    old: Batch,
    plan: Adapting,
    say: Callable[[str], None],
    look: Callable[[Net], str] = lambda _: "",
    every: float = 1500,
) -> Net:
    """The running average of the weights after fitting. `look` tells how the average does, `every` so many seconds."""
    torch.manual_seed(plan.seed)
    random = torch.Generator().manual_seed(plan.seed)
    geometry, teacher = Geometry(), copy.deepcopy(net)
    net = net.to(memory_format=torch.channels_last).eval()  # batch statistics and the shipped net's habits stay
    for part in [net.reply_q, net.reply_k, net.result, *(net.body[: plan.first])]:
        part.requires_grad_(False)
    if plan.first:
        for name, weight in net.named_parameters():
            if name.split(".")[0] in ("piece", "place", "context", "attackers", "marks", "stem"):
                weight.requires_grad_(False)
    fitted = [weight for weight in net.parameters() if weight.requires_grad]
    optimizer = torch.optim.AdamW(fitted, lr=plan.rate, betas=(0.9, 0.98), weight_decay=0.0)
    average = copy.deepcopy(net)
    drawn, weight = fresh.counts**0.6, fresh.counts**0.4
    weight = weight / (drawn * weight).sum() * drawn.sum()
    many = round(plan.batch * plan.fresh)
    start, step, looked, losses = time.time(), 0, time.time(), [0.0, 0.0]
    order, at = _draw(drawn, random), 0
    while True:
        done = step / plan.steps if plan.steps else (time.time() - start) / plan.seconds
        if done >= 1:
            break
        if at + many > len(order):
            order, at = _draw(drawn, random), 0
        rows, at = order[at : at + many], at + many
        kept = torch.randint(len(old), (plan.batch - many,), generator=random)
        here = Batch.join([fresh.positions[rows], old[kept]])
        here.ratings = here.ratings + torch.randint(-40, 41, here.ratings.shape, generator=random, dtype=torch.int16)
        mask, given = inputs(here, geometry)
        with torch.no_grad(), torch.autocast("cpu", torch.bfloat16):
            taught = teacher(*(part[many:] for part in given))
        held = masked_log(taught, mask[many:]).exp() * (1 - plan.hard)
        held.scatter_add_(1, here.move[many:].long()[:, None], torch.full((len(kept), 1), plan.hard))
        with torch.autocast("cpu", torch.bfloat16):
            logits = net(*given)
        each = -(masked_log(logits, mask).clamp(min=-30) * torch.cat([fresh.targets(rows), held])).sum(1)
        new, kind = each[:many] * weight[rows], each[many:]
        loss = (new.sum() + kind.sum()) / plan.batch
        for group in optimizer.param_groups:
            group["lr"] = plan.rate * min(1, done / 0.04 + 0.02) * 0.5 * (1 + np.cos(np.pi * done))
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(fitted, 1.0)
        optimizer.step()
        step += 1
        with torch.no_grad():
            keep = min(plan.average, step / (step + 10))
            for mean, value in zip(average.parameters(), net.parameters(), strict=True):
                mean.lerp_(value, 1 - keep)
        losses = [0.98 * a + 0.02 * float(b.mean().detach()) for a, b in zip(losses, (new, kind), strict=True)]
        if step % 50 == 0:
            scale = 1 - 0.98**step
            told = " ".join(f"{value / scale:.4f}" for value in losses)
            say(f"{done:.2f} step {step} new, old {told} {time.time() - start:.0f} s")
        if time.time() - looked > every:
            say(look(average))
            looked = time.time()
    say(f"end step {step}, {time.time() - start:.0f} s")
    return average


def _draw(weights: Tensor, random: torch.Generator) -> Tensor:
    """Row numbers, drawn by weight, as many as would pass over a good part of them."""
    total = torch.cumsum(weights.double(), 0)
    lots = torch.rand(min(len(weights), 200_000), generator=random, dtype=torch.float64) * total[-1]
    return torch.searchsorted(total, lots).clamp(max=len(weights) - 1)
