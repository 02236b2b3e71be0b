"""Fitting the last block's steering by ratings anew without a GPU: the blocks before it run once a position, what they
say is kept, and only the steering is fitted on that, over exactly the legal moves."""

from __future__ import annotations

import copy
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from random import Random

import chess
import numpy as np
import torch
from torch import Tensor, nn

from scripts.lab.chance.data import HISTORY
from scripts.lab.chance.games import MAX_PLIES, POOLS, PRESENT, Game
from scripts.lab.chance.network import Net, scaled
from trapscan.chance import encode

MOST = 112
"""Legal moves of a position that are kept."""


@dataclass(frozen=True)
class Drawn:
    """A position of a game, as the net takes it."""

    board: tuple[np.ndarray, ...]  # squares, marks, attackers, context
    ratings: tuple[float, float]  # own, other
    legal: tuple[int, ...]  # entries from * 64 + to
    played: int  # which of them
    source: str


@dataclass
class Known:
    """Positions as the last block sees them; the first dimension of every field is the position."""

    x: Tensor  # (N, width, 64) float16: what the trunk says
    ratings: Tensor  # (N, 2) float32: own, other
    legal: Tensor  # (N, MOST) int16: legal entries, -1 past the last
    played: Tensor  # (N,) int64: column of `legal`
    source: np.ndarray  # (N,) letters
    old: Tensor  # (N, MOST) float32: the shipped net's log chances

    def __len__(self) -> int:
        return len(self.x)


def draw(games: list[Game], each: int, random: Random, withhold: bool) -> Iterator[Drawn]:
    """`each` positions of every game, any ply alike. `withhold`: history, ply and thinking time are left out as often
    as when the net was first fitted, so that a bare EPD goes on working."""
    for game in games:
        count = min(len(game.moves), MAX_PLIES)
        plies = set(random.sample(range(count), min(each, count)))
        board = chess.Board()
        for ply in range(max(plies, default=-1) + 1):
            move = chess.Move.from_uci(game.moves[ply])
            if ply in plies:
                yield _drawn(board, move, game, random if withhold else None)
            board.push(move)


def _drawn(board: chess.Board, move: chess.Move, game: Game, random: Random | None) -> Drawn:
    marks = encode.marks(board, HISTORY)
    context = encode.context(board, game.seconds, POOLS.get(game.source, PRESENT))
    if random is not None:
        history, ply, speed = (random.random() for _ in range(3))
        if history < 0.04 * HISTORY:
            marks[:, 2 * int(history / 0.04) :] = 0
        if ply < 0.03:
            context[4:6] = 0
        if speed < 0.06:
            context[6:8] = 0
    legal = sorted(set(encode.move_entries(board, list(board.legal_moves))))
    played = legal.index(encode.move_entries(board, [move])[0])
    ratings = (game.white, game.black) if board.turn else (game.black, game.white)
    facts = (encode.squares(board), marks, encode.attackers(board), context)
    return Drawn(facts, ratings, tuple(legal[:MOST]), played, game.source)


@torch.no_grad()
def known(net: Net, drawn: list[Drawn], say: Callable[[str], None], batch: int = 64) -> Known:
    """What the trunk says of the positions, and the chances of the net as it is."""
    net = net.eval().to(memory_format=torch.channels_last)
    width, start = net.shape.width, time.time()
    x = torch.empty(len(drawn), width, 64, dtype=torch.float16)
    legal = torch.full((len(drawn), MOST), -1, dtype=torch.int16)
    for i, one in enumerate(drawn):
        legal[i, : len(one.legal)] = torch.tensor(one.legal, dtype=torch.int16)
    for at in range(0, len(drawn), batch):
        columns = zip(*(one.board for one in drawn[at : at + batch]), strict=True)
        with torch.autocast("cpu", torch.bfloat16):
            here = net.trunk(*(torch.from_numpy(np.stack(column)) for column in columns))
        x[at : at + batch] = here.reshape(len(here), width, 64).half()
        if at % (200 * batch) == 0:
            say(f"{at + len(here)} of {len(drawn)} positions, {time.time() - start:.0f} s")
    ratings = torch.tensor([one.ratings for one in drawn], dtype=torch.float32)
    played = torch.tensor([one.played for one in drawn])
    source = np.array([one.source for one in drawn])
    out = Known(x, ratings, legal, played, source, torch.empty(len(drawn), MOST))
    out.old = chances(net, out)
    return out


def above(net: Net, x: Tensor, ratings: Tensor) -> Tensor:
    """Logits (N, 4096) from what the trunk says."""
    x = x.reshape(-1, net.shape.width, 8, 8).to(memory_format=torch.channels_last)
    with torch.autocast("cpu", torch.bfloat16):
        return net.head(x, net.late.before(x), scaled(ratings))[0]


def legal_log(logits: Tensor, legal: Tensor) -> Tensor:
    """(N, MOST) log chances over the legal entries; very low past the last."""
    own = logits.float().gather(1, legal.long().clamp(min=0))
    return torch.log_softmax(own.masked_fill(legal < 0, -1e4), 1)


@torch.no_grad()
def chances(net: Net, data: Known, batch: int = 256) -> Tensor:
    """(N, MOST) log chances by the net."""
    out = []
    for at in range(0, len(data), batch):
        rows = slice(at, at + batch)
        out.append(legal_log(above(net, data.x[rows].float(), data.ratings[rows]), data.legal[rows]))
    return torch.cat(out)


@dataclass(frozen=True)
class Adapting:
    """How the steering is fitted. `way`: which part of the way from the shipped to the fitted weights is gone."""

    steps: int = 250
    batch: int = 256
    rate: float = 4e-4
    average: float = 0.98
    way: float = 0.7
    seed: int = 0


def adapt(net: Net, data: Known, weights: Tensor, keep: Tensor, plan: Adapting, say: Callable[[str], None]) -> Net:
    """The net with its steering fitted anew (a running average). Rows are drawn by `weights` (N,); `keep` (N,) is the
    weight of the old net's opinion against the move played."""
    torch.manual_seed(plan.seed)
    random = torch.Generator().manual_seed(plan.seed)
    average, net = copy.deepcopy(net), copy.deepcopy(net).eval().to(memory_format=torch.channels_last)
    net.requires_grad_(False)
    net.late.level.requires_grad_(True)
    fitted, start = list(net.late.level.parameters()), [weight.clone() for weight in average.late.level.parameters()]
    means = [weight.detach().clone() for weight in fitted]
    optimizer = torch.optim.AdamW(fitted, lr=plan.rate, betas=(0.9, 0.99), weight_decay=0.0)
    total, losses = torch.cumsum(weights.double(), 0), []
    for step in range(plan.steps):
        done = step / plan.steps
        lots = torch.rand(plan.batch, generator=random, dtype=torch.float64) * total[-1]
        rows = torch.searchsorted(total, lots).clamp(max=len(total) - 1)
        shaken = data.ratings[rows] + torch.randint(-40, 41, (plan.batch, 2), generator=random)
        logs = legal_log(above(net, data.x[rows].float(), shaken), data.legal[rows])
        hard = -logs.gather(1, data.played[rows][:, None])[:, 0]
        soft = -(data.old[rows].exp() * logs).sum(1)
        loss = ((1 - keep[rows]) * hard + keep[rows] * soft).mean()
        for group in optimizer.param_groups:
            group["lr"] = plan.rate * min(1, done / 0.05 + 0.02) * 0.5 * (1 + np.cos(np.pi * done))
        optimizer.zero_grad(set_to_none=True)
        loss.backward()
        nn.utils.clip_grad_norm_(fitted, 1.0)
        optimizer.step()
        losses.append(float(hard.mean().detach()))
        kept = min(plan.average, (step + 1) / (step + 11))
        for mean, value in zip(means, fitted, strict=True):
            mean.lerp_(value.detach(), 1 - kept)
        if (step + 1) % max(1, plan.steps // 10) == 0:
            say(f"step {step + 1}, {np.mean(losses):.4f} nats")
            losses = []
    with torch.no_grad():
        for weight, before, mean in zip(average.late.level.parameters(), start, means, strict=True):
            weight.copy_(before.lerp(mean, plan.way))
    return average.eval()
