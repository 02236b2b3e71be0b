"""Random PGN files and the trees they must give, built with python-chess as the outside reference."""

from __future__ import annotations

import io
import random

import chess
import chess.pgn

from trapscan.movetree import Game, Repertoire

TEXTS = (
    "",
    "",
    "a comment",
    "two  words",
    "Zürich, naïve",
    'a "quoted" word',
    "1. e4 (or not) $3",
    "; % [x]",
    "ends 1-0",
)
STARTS = (
    None,
    None,
    "r1bqkbnr/pppp1ppp/2n5/4p3/2B1P3/5N2/PPPP1PPP/RNBQK2R b KQkq - 3 3",
    "8/P6k/8/8/8/8/7K/8 w - - 0 1",
    "4k3/8/8/3pP3/8/8/8/4K3 w - d6 0 12",
)


def random_game(rng: random.Random, *, nodes: int) -> chess.pgn.Game:
    """A game of random legal moves: variations nested anywhere, comments and NAGs on some."""
    game = chess.pgn.Game()
    fen = rng.choice(STARTS)
    if fen:
        game.setup(fen)
    game.headers["Event"] = rng.choice(("?", "A day", 'The "best" \\ only', "Zürich"))
    game.comment = rng.choice(TEXTS)
    places: list[chess.pgn.GameNode] = [game]
    for _ in range(nodes):
        parent = places[-1] if rng.random() < 0.7 else rng.choice(places)
        free = [move for move in parent.board().legal_moves if not parent.has_variation(move)]
        if not free:
            continue
        node = parent.add_variation(rng.choice(free), comment=rng.choice(TEXTS))
        if rng.random() < 0.3:
            node.nags = set(rng.sample(range(1, 140), rng.randint(1, 3)))
        if parent.variations[0] is not node and rng.random() < 0.3:
            node.starting_comment = rng.choice(TEXTS)
        places.append(node)
    return game


def written(game: chess.pgn.Game) -> str:
    """The game as PGN."""
    return game.accept(chess.pgn.StringExporter(columns=None))


Tree = dict[tuple[str, ...], tuple[str, frozenset[int]]]
"""Path of UCI moves -> (comment without extra blanks, NAGs)."""


def tree_of(game: chess.pgn.Game) -> Tree:
    """What python-chess has: every path with its comments and NAGs."""
    found: Tree = {}
    stack: list[tuple[chess.pgn.GameNode, tuple[str, ...]]] = [(game, ())]
    while stack:
        node, path = stack.pop()
        intro = node.starting_comment if isinstance(node, chess.pgn.ChildNode) else ""
        found[path] = (" ".join(f"{intro} {node.comment}".split()), frozenset(node.nags))
        stack += [(child, (*path, child.move.uci())) for child in node.variations]
    return found


def tree_read(repertoire: Repertoire, game: Game) -> Tree:
    """What trapscan has read, in the same form."""
    forest = repertoire.forest
    return {
        tuple(move.uci() for move in forest.path(node)): (
            forest.comments.get(node, ""),
            frozenset(forest.nags.get(node, ())),
        )
        for node in game.nodes()
    }


def read_back(text: str) -> list[chess.pgn.Game]:
    """All games that python-chess's own reader finds."""
    handle, games = io.StringIO(text), []
    while (game := chess.pgn.read_game(handle)) is not None:
        games.append(game)
    return games
