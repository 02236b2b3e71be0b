"""Games to tensors: every position of every game, always from the side to move, replayed in step on any device."""

from __future__ import annotations

from dataclasses import dataclass, fields

import chess
import torch
from torch import Tensor

from scripts.lab.chance.games import MAX_PLIES, POOLS, PRESENT, Game

HISTORY = 3
"""How many past moves the shipped net is told."""
REMEMBERED = 6
"""How many past moves are kept of a position, for nets that are told more."""
NONE = 64
PROMOTED = {"n": 2, "b": 3, "r": 4, "q": 5}


@dataclass
class Batch:
    """Positions; the first dimension of every field is the position. Squares are seen from the side to move."""

    squares: Tensor  # (N, 64) uint8: 0 empty, 1-6 own pawn to king, 7-12 theirs
    castling: Tensor  # (N, 4) uint8: own short, own long, their short, their long
    recent: Tensor  # (N, REMEMBERED, 2) uint8: from and to of the last moves, latest first; NONE where there is none
    passant: Tensor  # (N,) uint8: square a pawn just passed, or NONE
    ply: Tensor  # (N,) int16; -1 unknown
    ratings: Tensor  # (N, 2) int16: own, other
    seconds: Tensor  # (N,) float32; 0 unknown
    pool: Tensor  # (N,) uint8
    move: Tensor  # (N,) int16: from * 64 + to
    reply: Tensor  # (N,) int16: the answer, seen from the answering side; -1 none
    result: Tensor  # (N,) float32: of the side to move
    game: Tensor  # (N,) int32: row of the game

    def __len__(self) -> int:
        return len(self.squares)

    def __getitem__(self, pick: Tensor | slice) -> Batch:
        return Batch(**{field.name: getattr(self, field.name)[pick] for field in fields(self)})

    def tensors(self) -> tuple[Tensor, ...]:
        """The fields in their order: compiled code takes plain tensors."""
        return tuple(getattr(self, field.name) for field in fields(self))

    @staticmethod
    def join(parts: list[Batch]) -> Batch:
        """All positions of the parts."""
        return Batch(**{f.name: torch.cat([getattr(part, f.name) for part in parts]) for f in fields(Batch)})


class Table:
    """Many boards in step, each seen from its side to move; `play` makes one move on each and turns it round."""

    def __init__(self, count: int, device: str) -> None:
        start = [4, 2, 3, 5, 6, 3, 2, 4] + [1] * 8 + [0] * 32 + [7] * 8 + [10, 8, 9, 11, 12, 9, 8, 10]
        self.squares = torch.tensor(start, dtype=torch.uint8, device=device).repeat(count, 1)
        self.castling = torch.ones(count, 4, dtype=torch.uint8, device=device)
        self.recent = torch.full((count, REMEMBERED, 2), NONE, dtype=torch.uint8, device=device)
        self.passant = torch.full((count,), NONE, dtype=torch.uint8, device=device)
        self._turned = torch.arange(64, device=device) ^ 56
        self._swapped = torch.tensor([0, *range(7, 13), *range(1, 7)], dtype=torch.uint8, device=device)

    def keep(self, pick: Tensor) -> None:
        """Drop the boards outside `pick`."""
        self.squares, self.castling = self.squares[pick], self.castling[pick]
        self.recent, self.passant = self.recent[pick], self.passant[pick]

    def play(self, origin: Tensor, target: Tensor, promoted: Tensor) -> None:
        """One move each: squares (N,) int64, promoted piece (N,) uint8 (0: none)."""
        board = self.squares.clone()
        row = torch.arange(len(board), device=board.device)
        piece, taken = board[row, origin], board[row, target]
        pawn, king = piece == 1, piece == 6
        passing = pawn & ((origin ^ target) & 7 != 0) & (taken == 0)
        board[row[passing], ((origin & 56) | (target & 7))[passing]] = 0
        for goal, rook_from, rook_to in ((6, 7, 5), (2, 0, 3)):
            castled = row[king & (origin == 4) & (target == goal)]
            board[castled, rook_from] = 0
            board[castled, rook_to] = 4
        board[row, target] = torch.where(promoted > 0, promoted, piece)
        board[row, origin] = 0
        rights = self.castling.clone()
        rights[(origin == 4) | (origin == 7), 0] = 0
        rights[(origin == 4) | (origin == 0), 1] = 0
        rights[target == 63, 2] = 0
        rights[target == 56, 3] = 0
        step = pawn & (target - origin == 16)
        self.passant = torch.where(step, (origin + 8) ^ 56, NONE).to(torch.uint8)
        self.squares = self._swapped[board[:, self._turned].long()]
        self.castling = rights[:, [2, 3, 0, 1]]
        older = torch.where(self.recent == NONE, self.recent, self.recent ^ 56)
        latest = torch.stack([origin ^ 56, target ^ 56], 1).to(torch.uint8)
        self.recent = torch.cat([latest[:, None], older[:, :-1]], 1)


def replay(games: list[Game], device: str, chunk: int = 50_000) -> Batch:
    """Every position of the games in which a move was played, up to MAX_PLIES."""
    return Batch.join([_replay(games[at : at + chunk], at, device) for at in range(0, len(games), chunk)])


def _replay(games: list[Game], first: int, device: str) -> Batch:
    length = torch.tensor([min(len(game.moves), MAX_PLIES) for game in games])
    played = torch.full((len(games), MAX_PLIES, 3), 0, dtype=torch.int64)
    text = "".join(f"{uci:<5}" for game in games for uci in game.moves[:MAX_PLIES])
    letters = torch.frombuffer(bytearray(text, "ascii"), dtype=torch.uint8).reshape(-1, 5).long()
    filled = torch.arange(MAX_PLIES)[None] < length[:, None]
    promoted = torch.zeros(128, dtype=torch.int64)
    for letter, piece in PROMOTED.items():
        promoted[ord(letter)] = piece
    codes = [letters[:, i] - 97 + 8 * (letters[:, i + 1] - 49) for i in (0, 2)] + [promoted[letters[:, 4]]]
    played[filled] = torch.stack(codes, 1)
    length, played = length.to(device), played.to(device)
    turned = torch.where((torch.arange(MAX_PLIES, device=device) % 2 == 1)[None, :, None], 56, 0)
    played[:, :, :2] ^= turned
    entry = (played[:, :, 0] * 64 + played[:, :, 1]).to(torch.int16)
    ratings = torch.tensor([(game.white, game.black) for game in games], dtype=torch.int16, device=device)
    seconds = torch.tensor([game.seconds for game in games], dtype=torch.float32, device=device)
    pool = torch.tensor([POOLS.get(game.source, PRESENT) for game in games], dtype=torch.uint8, device=device)
    result = torch.tensor([game.result for game in games], dtype=torch.float32, device=device)
    index = torch.arange(len(games), device=device)
    table, parts = Table(len(games), device), []
    for ply in range(MAX_PLIES):
        alive = length[index] > ply
        if not alive.all():
            table.keep(alive)
            index = index[alive]
        if not len(index):
            break
        black = ply % 2 == 1
        answered = length[index] > ply + 1
        parts.append(
            Batch(
                squares=table.squares,
                castling=table.castling,
                recent=table.recent,
                passant=table.passant,
                ply=torch.full((len(index),), ply, dtype=torch.int16, device=device),
                ratings=ratings[index].flip(1) if black else ratings[index],
                seconds=seconds[index],
                pool=pool[index],
                move=entry[index, ply],
                reply=torch.where(answered, entry[index, min(ply + 1, MAX_PLIES - 1)], -1),
                result=1 - result[index] if black else result[index],
                game=(index + first).to(torch.int32),
            )
        )
        step = played[index, ply]
        table.play(step[:, 0], step[:, 1], step[:, 2].to(torch.uint8))
    return Batch.join(parts)


def exact_legal(game: Game) -> list[list[int]]:
    """Legal entries (from * 64 + to, from the side to move) of every position of a game, by python-chess."""
    board, out = chess.Board(), []
    for uci in game.moves[:MAX_PLIES]:
        flip = 0 if board.turn else 56
        out.append(sorted({(m.from_square ^ flip) * 64 + (m.to_square ^ flip) for m in board.legal_moves}))
        board.push(chess.Move.from_uci(uci))
    return out
