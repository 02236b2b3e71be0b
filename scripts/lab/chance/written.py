"""Games and openings written out for the benchmarks of counting."""

from __future__ import annotations

import io
from pathlib import Path

import chess
import chess.pgn

from scripts.lab.chance.games import Game


def named_positions(files: list[Path]) -> set[str]:
    """Every position on the way of every named opening."""
    wanted = set()
    for path in files:
        for row in path.read_text(encoding="utf-8").splitlines()[1:]:
            game = chess.pgn.read_game(io.StringIO(row.split("\t")[2]))
            assert game is not None
            board = game.board()
            wanted.add(board.epd())
            for move in game.mainline_moves():
                board.push(move)
                wanted.add(board.epd())
    return wanted


def as_pgn(game: Game, *, clock: bool) -> str:
    board, words = chess.Board(), []
    for uci in game.moves:
        move = chess.Move.from_uci(uci)
        if board.turn:
            words.append(f"{board.fullmove_number}.")
        words.append(board.san_and_push(move) + (" { [%clk 0:05:00] }" if clock else ""))
    tags = f'[Event "x"]\n[White "Ann"]\n[Black "Bob"]\n[WhiteElo "{game.white}"]\n[BlackElo "{game.black}"]\n'
    return f"{tags}\n{' '.join(words)} *\n\n"
