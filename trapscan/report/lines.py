"""The repertoire's tree, read from scan.json, with the findings where they sit."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import chess

from trapscan import pgn
from trapscan.contract import MoveTree, Scan

MAX_MOVES = 1_000_000
"""More moves than the readers of repertoires take: a larger tree is none of ours."""


@dataclass(slots=True)
class Lines:
    """Nodes in the order of the text, parents first: a root for each start position (`parents` -1, its FEN in
    `starts`), every other node a move. `joins` tells of moves that lead to a position that goes on elsewhere: the
    node where. `at` is the node of each finding, in the scan's order. Nodes from `beyond` on are not in the
    repertoire: they lie past the end of its lines, or the scan carries no tree."""

    parents: list[int] = field(default_factory=list)
    moves: list[tuple[str, str]] = field(default_factory=list)
    starts: dict[int, str] = field(default_factory=dict)
    joins: dict[int, int] = field(default_factory=dict)
    at: list[int] = field(default_factory=list)
    beyond: int = 0
    _known: dict[tuple[str, str], tuple[str, str]] = field(default_factory=dict)

    def add(self, parent: int, san: str, uci: str) -> int:
        """A new node; returns its index."""
        self.parents.append(parent)
        self.moves.append(self._known.setdefault((san, uci), (san, uci)))
        return len(self.parents) - 1

    def add_root(self, fen: str) -> int:
        """A new root; returns its index."""
        self.starts[len(self.parents)] = fen
        return self.add(-1, "", "")


def lines_of(scan: Scan) -> Lines:
    """The scan's tree with the findings' nodes; what the tree lacks of a finding's line is added. Raises ValueError
    when the tree is none: a move that cannot be played, brackets that do not match, too many moves."""
    lines = Lines()
    epds: list[str] = []
    for tree in scan.tree:
        epds += _read(tree, lines)
    lines.joins = _joins(lines.parents, epds)
    lines.beyond = len(lines.parents)
    children: dict[tuple[int, str], int] = {}
    for node, parent in enumerate(lines.parents):
        children.setdefault((parent, lines.moves[node][0]), node)
    roots = {fen: node for node, fen in lines.starts.items()}
    for finding in scan.findings:
        if finding.start_fen not in roots:
            roots[finding.start_fen] = lines.add_root(finding.start_fen)
        node = roots[finding.start_fen]
        board: chess.Board | None = None
        for ply, san in enumerate(finding.line):
            child = children.get((node, san))
            if child is None:
                if board is None:
                    board = chess.Board(finding.start_fen)
                    for before in finding.line[:ply]:
                        board.push_san(before)
                child = children[node, san] = lines.add(node, san, board.parse_san(san).uci())
            if board is not None:
                board.push_san(san)
            node = child
        lines.at.append(node)
    return lines


def _read(tree: MoveTree, lines: Lines) -> Iterator[str]:
    """Add the nodes of one tree; gives the EPD of each."""
    board = chess.Board(tree.start_fen)
    node = lines.add_root(tree.start_fen)
    yield board.epd()
    variations: list[tuple[int, chess.Move]] = []
    depth: list[int] = []
    for token in pgn.TOKEN.findall(tree.moves.encode()):
        if token == b"(":
            if lines.parents[node] < 0 or (depth and len(board.move_stack) <= depth[-1]):
                raise ValueError("a variation in the tree without a move before it")
            variations.append((node, board.pop()))
            depth.append(len(board.move_stack))
            node = lines.parents[node]
        elif token == b")":
            if not variations:
                raise ValueError("a bracket in the tree that closes nothing")
            node, move = variations.pop()
            opened = depth.pop()
            while len(board.move_stack) > opened:
                board.pop()
            board.push(move)
        else:
            if len(lines.parents) > MAX_MOVES:
                raise ValueError(f"a tree of more than {MAX_MOVES:,} moves")
            move = pgn.parse_move(board, token.decode())
            node = lines.add(node, board.san(move), move.uci())
            board.push(move)
            yield board.epd()
    if variations:
        raise ValueError("a variation in the tree that is not closed")


def _joins(parents: list[int], epds: list[str]) -> dict[int, int]:
    """Of the nodes with one position, the one that has moves, or else the first, is where it goes on."""
    with_moves = set(parents)
    home: dict[str, int] = {}
    for node, epd in enumerate(epds):
        if epd not in home or (node in with_moves and home[epd] not in with_moves):
            home[epd] = node
    return {node: home[epd] for node, epd in enumerate(epds) if home[epd] != node}
