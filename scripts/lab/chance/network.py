"""The move-choice net in PyTorch: the board's geometry as tensors, the trunk, and the part that knows the level."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import torch
import torch.nn.functional as F
from torch import Tensor, nn

from scripts.lab.chance.data import HISTORY, NONE

CONTEXT = 12
"""castling 4, ply, ply known, speed, speed known, rating pool 4."""


class Geometry(nn.Module):
    """Which squares pieces attack and where they may go (checks not looked at), for whole batches at once."""

    def __init__(self) -> None:
        super().__init__()
        step = torch.zeros(6, 64, 64, dtype=torch.bool)  # own pawn, knight, bishop line, rook line, king, their pawn
        between = torch.zeros(64, 64, 64)
        for a in range(64):
            for b in range(64):
                rank, file = b // 8 - a // 8, b % 8 - a % 8
                far = max(abs(rank), abs(file))
                step[0, a, b] = rank == 1 and abs(file) == 1
                step[5, a, b] = rank == -1 and abs(file) == 1
                step[1, a, b] = {abs(rank), abs(file)} == {1, 2}
                step[2, a, b] = far > 0 and abs(rank) == abs(file)
                step[3, a, b] = far > 0 and (rank == 0) != (file == 0)
                step[4, a, b] = far == 1
                if step[2, a, b] or step[3, a, b]:
                    for i in range(1, far):
                        between[a // 8 * 8 + a % 8 + i * (rank // far * 8 + file // far), a, b] = 1
        push = torch.zeros(64, 64, dtype=torch.bool)
        for a in range(56):
            push[a, a + 8] = True
            if a // 8 == 1:
                push[a, a + 16] = True
                between[a + 8, a, a + 16] = 1
        attack = torch.zeros(13, 64, 64, dtype=torch.bool)
        for piece in range(1, 13):
            kind = (piece - 1) % 6
            if kind == 0:
                attack[piece] = step[0 if piece == 1 else 5]
            elif kind == 4:
                attack[piece] = step[2] | step[3]
            else:
                attack[piece] = step[{1: 1, 2: 2, 3: 3, 5: 4}[kind]]
        kinds = torch.zeros(13, 6)  # own pawn, minor, heavy or king; theirs
        for piece in range(1, 13):
            kinds[piece, [0, 1, 1, 2, 2, 2][(piece - 1) % 6] + (3 if piece > 6 else 0)] = 1
        self.register_buffer("between", between.reshape(64, 4096), persistent=False)
        self.register_buffer("attack", attack, persistent=False)
        self.register_buffer("push", push, persistent=False)
        self.register_buffer("kinds", kinds, persistent=False)

    def forward(self, squares: Tensor, castling: Tensor, passant: Tensor) -> tuple[Tensor, Tensor]:
        """(N, 64, 64) bool, where own pieces may go; (N, 64, 6) counts of attackers by side and kind."""
        piece = squares.long()
        occupied = (piece > 0).to(self.between.dtype)
        open_line = (occupied @ self.between).reshape(-1, 64, 64) == 0
        attacks = self.attack[piece, torch.arange(64, device=piece.device)[None]] & open_line
        counts = torch.bmm(attacks.transpose(1, 2).to(self.kinds.dtype), self.kinds[piece])
        own, theirs, empty = (piece >= 1) & (piece <= 6), piece > 6, piece == 0
        pawn = (piece == 1)[:, :, None]
        passing = torch.arange(64, device=piece.device)[None] == passant[:, None].long()
        goal = torch.where(pawn, (theirs | passing)[:, None, :], ~own[:, None, :])
        moves = attacks & own[:, :, None] & goal
        moves = moves | (pawn & self.push & open_line & empty[:, None, :])
        short = (castling[:, 0] > 0) & empty[:, 5] & empty[:, 6]
        long = (castling[:, 1] > 0) & empty[:, 1] & empty[:, 2] & empty[:, 3]
        flat = moves.flatten(1)
        at = torch.arange(4096, device=piece.device)[None]
        flat = flat | (short[:, None] & (at == 4 * 64 + 6)) | (long[:, None] & (at == 4 * 64 + 2))
        return flat, counts


@dataclass(frozen=True)
class Shape:
    """What to build. `blocks`: c convolution, a attention over the squares, one letter a block."""

    width: int = 128
    blocks: str = "cccccccc"
    heads: int = 32
    dropout: float = 0.05
    early_level: bool = False
    history: int = HISTORY

    def plain(self) -> dict[str, object]:
        return asdict(self)


class Excite(nn.Module):
    """Scales and shifts every channel by what the whole board shows."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.width = width
        self.a, self.b = nn.Linear(width, width // 4), nn.Linear(width // 4, 2 * width)

    def forward(self, x: Tensor) -> Tensor:
        told = self.b(F.relu(self.a(x.mean((2, 3))))).reshape(-1, 2 * self.width, 1, 1)
        gate, shift = told.split(self.width, 1)
        return x * torch.sigmoid(gate) + shift


class Convolve(nn.Module):
    """A residual block of two 3x3 convolutions."""

    def __init__(self, width: int, dropout: float) -> None:
        super().__init__()
        self.c1, self.b1 = nn.Conv2d(width, width, 3, padding=1, bias=False), nn.BatchNorm2d(width)
        self.c2, self.b2 = nn.Conv2d(width, width, 3, padding=1, bias=False), nn.BatchNorm2d(width)
        self.se, self.drop = Excite(width), nn.Dropout2d(dropout)

    def forward(self, x: Tensor) -> Tensor:
        return F.relu(x + self.se(self.b2(self.c2(self.drop(F.relu(self.b1(self.c1(x))))))))


class Attend(nn.Module):
    """A residual block in which every square looks at every other; a learnt bias by pair of squares tells geometry."""

    def __init__(self, width: int, dropout: float) -> None:
        super().__init__()
        self.heads, self.size = 8, width // 8
        self.norm, self.qkv, self.out = (
            nn.BatchNorm2d(width),
            nn.Conv2d(width, 3 * width, 1),
            nn.Conv2d(width, width, 1),
        )
        self.bias = nn.Parameter(torch.zeros(self.heads, 64, 64))
        self.drop = nn.Dropout2d(dropout)
        nn.init.zeros_(self.out.weight)

    def forward(self, x: Tensor) -> Tensor:
        q, k, v = self.qkv(self.norm(x)).reshape(-1, 3 * self.heads, self.size, 64).split(self.heads, 1)
        weight = torch.softmax(torch.matmul(q.transpose(2, 3), k) / self.size**0.5 + self.bias, -1)
        y = torch.matmul(v, weight.transpose(2, 3)).reshape(-1, self.heads * self.size, 8, 8)
        return F.relu(x + self.drop(self.out(y)))


class Late(nn.Module):
    """The last block, steered by the level: only its second convolution runs once a level."""

    def __init__(self, width: int, dropout: float) -> None:
        super().__init__()
        self.c1, self.b1 = nn.Conv2d(width, width, 3, padding=1, bias=False), nn.BatchNorm2d(width)
        self.c2, self.b2 = nn.Conv2d(width, width, 3, padding=1, bias=False), nn.BatchNorm2d(width)
        self.se, self.drop = Excite(width), nn.Dropout2d(dropout)
        self.level = nn.Sequential(nn.Linear(2, 64), nn.SiLU(), nn.Linear(64, 4 * width))
        nn.init.zeros_(self.level[2].weight), nn.init.zeros_(self.level[2].bias)

    def before(self, x: Tensor) -> Tensor:
        """What no level changes."""
        return self.b1(self.c1(x))

    def forward(self, x: Tensor, first: Tensor, level: Tensor) -> Tensor:
        gain, shift, gain2, shift2 = self.level(level)[:, :, None, None].chunk(4, 1)
        y = self.drop(F.relu(first * (1 + gain) + shift))
        return F.relu(x * (1 + gain2) + shift2 + self.se(self.b2(self.c2(y))))


class Net(nn.Module):
    """Logits (N, 4096) of from * 64 + to; see `trunk` and `head` for the halves that run once a position or a level."""

    def __init__(self, shape: Shape) -> None:
        super().__init__()
        w = shape.width
        self.shape = shape
        self.piece, self.place = nn.Embedding(13, w), nn.Parameter(torch.zeros(1, 64, w))
        self.context = nn.Linear(CONTEXT + (2 if shape.early_level else 0), w)
        self.attackers = nn.Linear(6, w, bias=False)
        self.marks = nn.Parameter(torch.randn(2 * shape.history, w) * 0.5)
        self.stem = nn.Conv2d(w, w, 3, padding=1, bias=False)
        self.stem_norm = nn.BatchNorm2d(w)
        kinds = {"c": Convolve, "a": Attend}
        self.body = nn.ModuleList([kinds[letter](w, shape.dropout) for letter in shape.blocks])
        self.late = Late(w, shape.dropout)
        self.q, self.k = nn.Conv2d(w, shape.heads, 1), nn.Conv2d(w, shape.heads, 1)
        self.prior = nn.Parameter(torch.zeros(64, 64))
        self.reply_q, self.reply_k = nn.Conv2d(w, shape.heads, 1), nn.Conv2d(w, shape.heads, 1)
        self.reply_prior = nn.Parameter(torch.zeros(64, 64))
        self.result = nn.Linear(w, 1)

    def trunk(self, squares: Tensor, marks: Tensor, attackers: Tensor, context: Tensor) -> Tensor:
        """squares (N, 64) int64; marks (N, 64, 2 history), attackers (N, 64, 6), context (N, CONTEXT) float."""
        x = self.piece(squares) + self.place + self.context(context)[:, None]
        x = x + marks @ self.marks + self.attackers(attackers)
        x = x.transpose(1, 2).reshape(-1, self.shape.width, 8, 8)
        x = F.relu(self.stem_norm(self.stem(x)))
        for block in self.body:
            x = block(x)
        return x

    def head(self, x: Tensor, first: Tensor, level: Tensor) -> tuple[Tensor, Tensor]:
        """Logits and the last features; level (N, 2): own and other, scaled by `scaled`."""
        x = self.late(x, first, level)
        return self.output(x), x

    def output(self, x: Tensor) -> Tensor:
        """Logits from the last features."""
        q, k = (part(x).reshape(-1, self.shape.heads, 64) for part in (self.q, self.k))
        return (torch.matmul(q.transpose(1, 2), k) / self.shape.heads**0.5 + self.prior).reshape(-1, 4096)

    def forward(self, squares: Tensor, marks: Tensor, attackers: Tensor, context: Tensor, level: Tensor) -> Tensor:
        return self.full(squares, marks, attackers, context, level)[0]

    def full(
        self, squares: Tensor, marks: Tensor, attackers: Tensor, context: Tensor, level: Tensor
    ) -> tuple[Tensor, Tensor, Tensor]:
        """Logits of the move, of the reply (from the answering side), and of winning."""
        if self.shape.early_level:
            context = torch.cat([context, level], 1)
        x = self.trunk(squares, marks, attackers, context)
        logits, y = self.head(x, self.late.before(x), level)
        q, k = self.reply_q(y).flatten(2), self.reply_k(y).flatten(2)
        reply = (torch.matmul(q.transpose(1, 2), k) / self.shape.heads**0.5 + self.reply_prior).flatten(1)
        return logits, reply, self.result(y.mean((2, 3)))[:, 0]


def scaled(ratings: Tensor) -> Tensor:
    """Ratings as the net takes them."""
    return (ratings.float().clamp(600, 2700) - 1600) / 500


def context_of(castling: Tensor, ply: Tensor, seconds: Tensor, pool: Tensor) -> Tensor:
    """(N, CONTEXT) float."""
    known, timed = (ply >= 0).float(), (seconds > 0).float()
    speed = torch.log2(seconds.clamp(15, 10_000) / 600) / 3
    flags = F.one_hot(pool.long(), 4).float()
    parts = [castling.float(), torch.stack([ply.float() / 40 * known, known, speed * timed, timed], 1), flags]
    return torch.cat(parts, 1)


def marks_of(recent: Tensor) -> Tensor:
    """(N, 64, 2 history) float: one plane for the from and one for the to square of each past move (N, history, 2)."""
    flat = recent.flatten(1).long()
    return F.one_hot(flat.clamp(max=NONE), NONE + 1)[:, :, :NONE].transpose(1, 2).float()
