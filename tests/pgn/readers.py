"""The main lines of a file as each reader has them: the repertoire's, the counts', python-chess's."""

from __future__ import annotations

import io
from collections import Counter
from pathlib import Path

import chess
import chess.pgn

from trapscan import chance, repertoire
from trapscan.errors import InputError, RepertoireError
from trapscan.movetree import Repertoire

Played = Counter[tuple[str, str]]
"""(EPD, UCI move) -> how often it was played in a main line."""


def played_in(games: list[tuple[str, list[chess.Move]]]) -> Played:
    """What was played in games given by start position and moves."""
    found: Played = Counter()
    for fen, moves in games:
        board = chess.Board(fen)
        for move in moves:
            found[board.epd(), move.uci()] += 1
            board.push(move)
    return found


def main_lines(read: Repertoire) -> list[tuple[str, list[chess.Move]]]:
    """Start position and main line of each game of a repertoire: the first move of each node."""
    found = []
    for game in read.games:
        first: dict[int, int] = {}
        for node in game.moves():
            first.setdefault(read.forest.parents[node], node)
        node, moves = game.root, []
        while node in first:
            node = first[node]
            moves.append(read.forest.move(node))
        found.append((game.start_fen, moves))
    return found


def as_tree(path: Path) -> list[tuple[str, list[chess.Move]]]:
    """As a repertoire; empty where the reader refuses the file."""
    try:
        return main_lines(repertoire.read_files([path]))
    except RepertoireError:
        return []


def as_counts(path: Path, wanted: set[str]) -> tuple[Played, int]:
    """As game counts, and how many games; (nothing, 0) where the reader refuses the file."""
    try:
        evidence = chance.count_games([path], wanted, max_ply=1000)
    except InputError:
        return Counter(), 0
    counts = {(epd, move): n for epd, moves in evidence.counts.items() for move, n in moves.items()}
    return Counter(counts), evidence.games


def by_python_chess(data: bytes, encoding: str = "utf-8-sig") -> list[tuple[str, list[chess.Move]]]:
    """As python-chess has it, from a file opened as text."""
    file = io.TextIOWrapper(io.BytesIO(data), encoding=encoding, errors="replace")
    found = []
    while (game := chess.pgn.read_game(file)) is not None:
        try:
            found.append((game.board().fen(), list(game.mainline_moves())))
        except ValueError:  # a FEN that is none
            found.append((chess.STARTING_FEN, []))
    return found
