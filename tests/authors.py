"""Repertoires made by hand, without a file."""

from __future__ import annotations

import chess

from trapscan import graph
from trapscan.authored import Authored
from trapscan.contract import InputFile
from trapscan.movetree import Forest, Game, Repertoire


def author_of(side: str, *lines: str) -> Authored:
    """Lines of moves (UCI, with a NAG behind it: "g1f3$2"), each a chapter for the side."""
    forest, games = Forest(), []
    for number, line in enumerate(lines, 1):
        node = root = forest.add_root()
        for uci in line.split():
            move, _, nag = uci.partition("$")
            node = forest.add(node, chess.Move.from_uci(move))
            if nag:
                forest.nags[node] = (int(nag),)
        games.append(Game(0, number, chess.STARTING_FEN, root, len(forest), side=side))
    read = Repertoire((InputFile(name="by-hand.pgn", sha256=""),), tuple(games), forest)
    return Authored.of(read, graph.build(read))
