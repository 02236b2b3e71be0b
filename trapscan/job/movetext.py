"""The repertoire's merged tree as the text that scan.json carries. Pure, and nothing here recurses."""

from __future__ import annotations

import chess

from trapscan.contract import MoveTree
from trapscan.graph import Graph


def move_trees(graph: Graph) -> tuple[MoveTree, ...]:
    """One tree for each start position, in file order; the moves of a position in file order, the main move first."""
    return tuple(
        MoveTree(start_fen=graph.positions[start].start_fen, moves=_movetext(graph, start)) for start in graph.starts
    )


def _movetext(graph: Graph, start: int) -> str:
    """In the order of PGN: the main move, the variations in its place, then what follows the main move."""
    board = chess.Board(graph.positions[start].start_fen)
    words: list[str] = []

    def write(edge: int) -> None:
        words.append(board.san(chess.Move.from_uci(graph.edges[edge][1])))

    todo: list[tuple[str, int]] = [("position", start)]
    while todo:
        step, number = todo.pop()
        if step == "position":
            main, *others = graph.leaving[number] or (None,)
            if main is None:
                continue
            write(main)
            todo.append(("go on", main))
            for edge in reversed(others):
                todo += ((")", edge), ("go on", edge), ("write", edge), ("(", edge))
        elif step == "write":
            write(number)
        elif step == "go on":
            if _is_home(graph, number):
                _, uci, after = graph.edges[number]
                board.push_uci(uci)
                todo += (("back", number), ("position", after))
        elif step == "back":
            board.pop()
        else:
            words.append(step)
    return " ".join(words).replace("( ", "(").replace(" )", ")")


def _is_home(graph: Graph, edge: int) -> bool:
    """Whether the position after the edge goes on here: its shortest move order arrives by it."""
    before, uci, after = graph.edges[edge]
    here, there = graph.positions[before], graph.positions[after]
    return there.start_fen == here.start_fen and there.moves == (*here.moves, uci)
