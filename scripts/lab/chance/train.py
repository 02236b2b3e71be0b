"""Training: from games alone, or towards a committee of nets on games and on games the committee made up."""

from __future__ import annotations

import copy
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing import Pool

import numpy as np
import torch
import torch.distributed as dist
import torch.nn.functional as F
from torch import Tensor, nn

from scripts.lab.chance.data import NONE, REMEMBERED, Batch, Table, exact_legal
from scripts.lab.chance.games import MAX_PLIES, Game
from scripts.lab.chance.network import Geometry, Net, context_of, marks_of, scaled

TOP = 40
"""Moves of a committee's opinion that are kept; the rest of its mass is shared out."""


@dataclass(frozen=True)
class Plan:
    """How to train. `seconds` bounds the time when `steps` is 0; with `steps` a run is reproducible from its seed."""

    seconds: float = 430
    steps: int = 0
    batch: int = 4096
    rate: float = 3e-3
    decay: float = 0.05
    seed: int = 0
    side: float = 0.15
    """Weight of the two side tasks (the reply, the result)."""
    average: float = 0.999
    hard: float = 0.2
    """Towards a committee: weight of the move really played, where there is one."""
    wean: bool = False
    """That weight grows to one in the course of the fit: the committee is a guide to a net that is to surpass it."""


@dataclass
class Opinion:
    """What a committee holds of positions: its TOP likeliest entries and their probabilities."""

    entries: Tensor  # (N, TOP) int16
    shares: Tensor  # (N, TOP) float16


def inputs(batch: Batch, counts: Tensor, history: int) -> tuple[Tensor, ...]:
    """What a Net of that history takes; counts: of attackers, by Geometry."""
    context = context_of(batch.castling, batch.ply, batch.seconds, batch.pool)
    return batch.squares.long(), marks_of(batch.recent[:, :history]), counts, context, scaled(batch.ratings)


def blurred(batch: Batch, random: torch.Generator) -> Batch:
    """The batch with some facts withheld, as in use: history, ply, speed; ratings shaken by up to 60."""
    size, device = len(batch), batch.squares.device
    lot = torch.rand(4, size, device=device, generator=random)
    recent = batch.recent.clone()
    recent[lot[0] < 0.04] = NONE
    for kept in range(1, REMEMBERED):
        recent[(lot[0] >= 0.04 * kept) & (lot[0] < 0.04 * (kept + 1)), kept:] = NONE
    shake = torch.randint(-60, 61, (size, 2), device=device, generator=random, dtype=torch.int16)
    out = copy.copy(batch)
    out.recent = recent
    out.ply = torch.where(lot[1] < 0.03, -1, batch.ply).to(torch.int16)
    out.seconds = torch.where(lot[2] < 0.06, 0.0, batch.seconds)
    out.ratings = batch.ratings + shake
    return out


def masked_log(logits: Tensor, mask: Tensor) -> Tensor:
    return torch.log_softmax(logits.float().masked_fill(~mask, -30_000.0), 1)


def train(
    net: Net,
    batch_of: Callable[[Tensor], tuple[Batch, Opinion | None]],
    count: int,
    plan: Plan,
    device: str,
    say: Callable[[str], None],
) -> Net:
    """Fits `net` in place and returns the running average of its weights. `batch_of` maps row numbers to positions
    (with a committee's opinion: learn that); with several processes gradients are averaged."""
    world = dist.get_world_size() if dist.is_initialized() else 1
    rank = dist.get_rank() if world > 1 else 0
    torch.manual_seed(plan.seed)
    geometry = Geometry().to(device)
    if device == "cuda":
        geometry = geometry.bfloat16()
    net.to(device).to(memory_format=torch.channels_last)
    random = torch.Generator(device).manual_seed(plan.seed * 1000 + rank + 1)
    no_decay = [p for name, p in net.named_parameters() if p.ndim < 2]
    decayed = [p for name, p in net.named_parameters() if p.ndim >= 2]
    groups = [{"params": decayed, "weight_decay": plan.decay}, {"params": no_decay, "weight_decay": 0.0}]
    optimizer = torch.optim.AdamW(groups, lr=plan.rate, betas=(0.9, 0.98), fused=device == "cuda")
    average = copy.deepcopy(net).eval()

    def loss_of(
        facts: tuple[Tensor, ...], entries: Tensor | None, shares: Tensor | None, hard: Tensor
    ) -> tuple[Tensor, Tensor]:
        batch = Batch(*facts)
        mask, counts = geometry(batch.squares, batch.castling, batch.passant)
        given = inputs(batch, counts, net.shape.history)
        with torch.autocast(device, torch.bfloat16, enabled=device == "cuda"):
            logits, reply, result = net.full(*given)
        logs = masked_log(logits, mask)
        known = (batch.move >= 0).float()
        own = -logs.gather(1, batch.move.long().clamp(min=0)[:, None])[:, 0]
        main = (own * known).sum() / known.sum().clamp(min=1)
        if entries is not None and shares is not None:
            near = -(logs.gather(1, entries.long()).clamp(min=-30) * shares.float()).sum(1)
            total = (near * (1 - hard * known) + own * hard * known).mean()
        else:
            total = main
        if plan.side:
            answered = (batch.reply >= 0).float()
            other = F.cross_entropy(reply.float(), batch.reply.long().clamp(min=0), reduction="none")
            won = F.binary_cross_entropy_with_logits(result.float(), batch.result, reduction="none")
            total = total + plan.side * ((other * answered).mean() + (won * known).mean())
        return total, main.detach()

    compiled = torch.compile(loss_of) if device == "cuda" else loss_of
    start, step, done, told = time.time(), 0, 0.0, time.time()
    order, at = torch.randperm(count, device=device, generator=random), 0
    while True:
        if plan.steps:
            done = step / plan.steps
        elif world == 1 or step % 20 == 0:
            done = (time.time() - start) / plan.seconds
            if world > 1:  # all processes must stop at the same step
                shared = torch.tensor(done, device=device)
                dist.broadcast(shared, 0)
                done = shared.item()
        if done >= 1:
            break
        rate = plan.rate * min(1, done / 0.04 + 0.01) * 0.5 * (1 + np.cos(np.pi * max(0, (done - 0.04) / 0.96))) + 1e-6
        for group in optimizer.param_groups:
            group["lr"] = rate
        if at + plan.batch > len(order):
            order, at = torch.randperm(count, device=device, generator=random), 0
        batch, opinion = batch_of(order[at : at + plan.batch])
        at += plan.batch
        net.train()
        entries, shares = (opinion.entries, opinion.shares) if opinion else (None, None)
        hard = torch.tensor(plan.hard + (1 - plan.hard) * done * plan.wean, device=device)
        total, main = compiled(blurred(batch, random).tensors(), entries, shares, hard)
        optimizer.zero_grad(set_to_none=True)
        total.backward()
        if world > 1:
            _share_gradients(net, world)
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimizer.step()
        step += 1
        with torch.no_grad():
            keep = min(plan.average, step / (step + 10))
            for mean, value in zip(average.parameters(), net.parameters(), strict=True):
                mean.lerp_(value, 1 - keep)
            for mean, value in zip(average.buffers(), net.buffers(), strict=True):
                mean.copy_(value)
        if time.time() - told > 20:
            told = time.time()
            say(f"{done:.2f} step {step} loss {total.item():.4f} move {main.item():.4f} {time.time() - start:.0f} s")
    say(f"end step {step}, {step * plan.batch * world / count:.2f} passes, {time.time() - start:.0f} s")
    return average


def _share_gradients(net: nn.Module, world: int) -> None:
    grads = [p.grad for p in net.parameters() if p.grad is not None]
    flat = torch.cat([grad.flatten() for grad in grads])
    dist.all_reduce(flat)
    flat /= world
    at = 0
    for grad in grads:
        grad.copy_(flat[at : at + grad.numel()].reshape(grad.shape))
        at += grad.numel()


class Committee:
    """Several nets whose probabilities are averaged."""

    def __init__(self, nets: list[Net], device: str) -> None:
        self.device, self.geometry = device, Geometry().to(device)
        self.size = 8192 if device == "cuda" else 64
        if device == "cuda":
            self.geometry = self.geometry.bfloat16()
        self.nets = [net.to(device).to(memory_format=torch.channels_last).eval() for net in nets]
        self._call = torch.compile(self._shares) if device == "cuda" else self._shares

    def _shares(self, facts: tuple[Tensor, ...]) -> Tensor:
        batch = Batch(*facts)
        mask, counts = self.geometry(batch.squares, batch.castling, batch.passant)
        total = torch.zeros(len(batch.squares), 4096, device=self.device)
        with torch.autocast(self.device, torch.bfloat16, enabled=self.device == "cuda"):
            for net in self.nets:
                total = total + masked_log(net(*inputs(batch, counts, net.shape.history)), mask).exp()
        return total / len(self.nets)

    @torch.no_grad()
    def shares(self, batch: Batch, size: int = 0) -> Tensor:
        """(N, 4096) probabilities."""
        size = size or self.size
        return torch.cat(
            [self._call(padded(batch[at : at + size], size).tensors()) for at in range(0, len(batch), size)]
        )[: len(batch)]

    def opinion(self, batch: Batch, size: int = 0) -> Opinion:
        """Its likeliest moves in every position."""
        entries, shares = [], []
        size = size or self.size
        for at in range(0, len(batch), size):
            top = self.shares(batch[at : at + size], size).topk(TOP, 1)
            entries.append(top.indices.to(torch.int16))
            shares.append((top.values / top.values.sum(1, keepdim=True)).half())
        return Opinion(torch.cat(entries), torch.cat(shares))

    @torch.no_grad()
    def invent(self, like: Batch, games: int, seed: int) -> tuple[Batch, Opinion]:
        """Positions, with the committee's opinion, of games it plays by its own chances, with ratings, speed and
        pool of real games. Pseudo-legal: a check is overlooked as rarely as the nets overlook it."""
        random = torch.Generator(self.device).manual_seed(seed)
        whole = like[torch.randint(len(like), (games,), device=self.device, generator=random)]
        table, parts, entries, chances = Table(games, self.device), [], [], []
        swap = whole.ratings.flip(1)
        for ply in range(MAX_PLIES):
            ratings = whole.ratings if ply % 2 == 0 else swap
            blank = torch.full((games,), -1, dtype=torch.int16, device=self.device)
            now = Batch(
                squares=table.squares, castling=table.castling, recent=table.recent, passant=table.passant,
                ply=torch.full((games,), ply, dtype=torch.int16, device=self.device), ratings=ratings,
                seconds=whole.seconds, pool=whole.pool, move=blank, reply=blank,
                result=torch.full((games,), 0.5, device=self.device), game=whole.game,
            )  # fmt: skip
            parts.append(now)
            picks = []
            for at in range(0, games, self.size):
                shares = self.shares(now[at : at + self.size]) + 1e-12
                top = shares.topk(TOP, 1)
                entries.append(top.indices.to(torch.int16))
                chances.append((top.values / top.values.sum(1, keepdim=True)).half())
                noise = -torch.empty_like(shares).exponential_(generator=random).log()
                picks.append((shares.log() + noise).argmax(1))
            pick = torch.cat(picks)
            origin, target = pick // 64, pick % 64
            pawn = table.squares[torch.arange(games, device=self.device), origin] == 1
            table.play(origin, target, torch.where(pawn & (target >= 56), 5, 0).to(torch.uint8))
        made = Batch.join(parts)
        kings = (made.squares == 6).any(1) & (made.squares == 12).any(1)
        return made[kings], Opinion(torch.cat(entries)[kings], torch.cat(chances)[kings])


def padded(batch: Batch, size: int) -> Batch:
    """The batch filled up with its first row: compiled code wants one size."""
    short = size - len(batch)
    if short == 0:
        return batch
    return batch[torch.cat([torch.arange(len(batch)), torch.zeros(short, dtype=torch.int64)]).to(batch.move.device)]


def legal_of(games: list[Game], workers: int) -> dict[int, list[list[int]]]:
    """Exact legal moves by game."""
    with Pool(workers) as pool:
        return dict(enumerate(pool.map(exact_legal, games, 50)))


def score(committee: Committee, batch: Batch, legal: dict[int, list[list[int]]]) -> np.ndarray:
    """(N, 3): nats, first choice right, among the first three, over exactly the legal moves."""
    out, size = [], committee.size
    for at in range(0, len(batch), size):
        part = batch[at : at + size]
        options = [legal[g][p] for g, p in zip(part.game.tolist(), part.ply.tolist(), strict=True)]
        wide = max(map(len, options))
        index = torch.tensor([row + [-1] * (wide - len(row)) for row in options], device=committee.device)
        shares = (committee.shares(part) + 1e-9).gather(1, index.clamp(min=0)).masked_fill(index < 0, 0)
        shares = shares / shares.sum(1, keepdim=True)
        own = shares.masked_fill(index != part.move.long()[:, None], 0).sum(1)
        better = (shares > own[:, None]).sum(1)
        out.append(torch.stack([-own.log(), (better < 1).float(), (better < 3).float()], 1).cpu())
    return torch.cat(out).numpy()
