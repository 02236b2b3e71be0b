"""The merged positions of a repertoire, and the moves between them.

Equal positions (board, side to move, castling rights, legal en passant) are one, whatever the move order. The graph
of positions has cycles where a line repeats a position. For counting move orders and for adding up probabilities the
edges that close a cycle are left out (those that lead back to a position on the way, in a depth-first walk in file
order), so that what remains has a topological order. Nothing here recurses.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import chess
import numpy as np

from trapscan import openings
from trapscan.errors import RepertoireError
from trapscan.model import Chances, Position
from trapscan.movetree import MISTAKE_NAGS, Repertoire, Walker

MAX_POSITIONS = 500_000
"""More positions than a scan could examine: at a second each they would take more than two days."""
MAX_MOVE_ORDERS = 10**12
"""Move orders are counted exactly up to here; a larger count is given as this number."""
MAX_STORED_MOVES = 20_000_000
"""Moves in the move orders of all positions together: bounds memory where lines are very long."""

Edge = tuple[int, str, int]
"""Index of the position before the move, the move (UCI), index of the position after it."""


@dataclass(frozen=True)
class Graph:
    """Merged positions in the order of their first appearance, and the moves between them.

    `edges` and `starts` hold indexes into `positions`; each edge is there once, in the order of first appearance.
    `merged` counts the nodes of the move trees that fell on a position that was there already (shared beginnings of
    lines among them). `mistakes` are the edges, by number, that the author marks with ? or ?? wherever they occur.
    """

    positions: tuple[Position, ...]
    edges: tuple[Edge, ...]
    starts: tuple[int, ...]
    games: int
    merged: int
    mistakes: frozenset[int]
    leaving: tuple[tuple[int, ...], ...] = field(repr=False)
    """For each position the numbers of the edges that leave it, in order."""
    order: tuple[int, ...] = field(repr=False)
    """All positions, each after those that lead to it by an edge that is not in `closing`."""
    closing: frozenset[int] = field(repr=False)
    """The edges, by number, that close a cycle."""
    index: Mapping[str, int] = field(repr=False)
    """Where a position stands, by its EPD."""
    at: Sequence[int] = field(repr=False)
    """For each node of the repertoire's forest its position; -1 for what lies too deep."""
    entered: Sequence[int] = field(repr=False)
    """For each node the edge, by number, that leads to it; -1 for a root and for what lies too deep."""

    def find(self, epd: str) -> Position | None:
        """The position with this EPD, if the repertoire has it."""
        at = self.index.get(epd)
        return None if at is None else self.positions[at]

    def choices(self, at: int) -> tuple[int, ...]:
        """The edges (by number) that the author means to be played at a position: all but those marked as mistakes;
        if every one is marked so, all."""
        return tuple(e for e in self.leaving[at] if e not in self.mistakes) or self.leaving[at]


def build(repertoire: Repertoire, *, max_ply: int | None = None) -> Graph:
    """Merge the positions of a repertoire, down to `max_ply` plies from the start of each game (None: all).

    Each position carries the number of move orders that lead to it (distinct ways through the graph from the start
    positions, cycles left out, at most MAX_MOVE_ORDERS) and one shortest move order: of several, each position is
    reached by the edge that comes first in the files. A start position counts as one move order of its own. Raises
    RepertoireError where there is more than a scan could examine.
    """
    merged = _merge(repertoire, max_ply)
    starts = tuple(merged.starts)
    leaving = _leaving(len(merged.index), merged.edges)
    order, closing = _topological(starts, merged.edges, leaving)
    return Graph(
        positions=_positions(merged, leaving, _count_move_orders(starts, merged.edges, leaving, order, closing)),
        edges=tuple(merged.edges),
        starts=starts,
        games=len(repertoire.games),
        merged=merged.merged,
        mistakes=merged.mistakes,
        leaving=leaving,
        order=order,
        closing=closing,
        index=merged.index,
        at=merged.at,
        entered=merged.entered,
    )


def extend(position: Position, uci: str) -> Position:
    """The position after one more move, past the end of a line: `beyond` grows by one, and a named opening replaces
    the one carried on. Raises ValueError on an illegal move."""
    board = position.board()
    board.push_uci(uci)
    epd = board.epd()
    return Position(
        epd=epd,
        start_fen=position.start_fen,
        moves=(*position.moves, uci),
        move_orders=position.move_orders,
        opening=openings.name_of(epd) or position.opening,
        beyond=position.beyond + 1,
    )


def reach(
    graph: Graph,
    chances_at: Mapping[str, Chances],
    ours: chess.Color,
    levels: Sequence[int],
    *,
    weights: Mapping[str, Mapping[str, float]] | None = None,
    choices: Callable[[int], Sequence[int]] | None = None,
) -> dict[str, tuple[float, ...]]:
    """The probability that each position arises, per level, by EPD; one number for each of `levels`.

    `ours` is the side that follows the repertoire: at its positions the edges that `choices` names (those that are not
    marked as mistakes) share equally, or in proportion to `weights[epd][move]` where given. The other side plays by
    `chances_at[epd]`; a move missing there has chance 0, and a position missing there (its examination failed) shares
    equally among the moves of the repertoire, which is too much rather than nothing. Move orders that meet add up. Each
    start position has probability 1 of its own, and no sum goes beyond 1: with several start positions each number
    reads "given that the game starts from one that leads here". A return to a position by repetition does not count
    again.
    """
    found = np.zeros((len(graph.positions), len(levels)))
    found[list(graph.starts)] = 1.0
    for at in graph.order:
        if not graph.leaving[at]:
            continue
        epd = graph.positions[at].epd
        found[at] = found[at].clip(max=1.0)
        shares: Mapping[int, Any]
        if turn_of(epd) == ours or epd not in chances_at:
            shares = _shares(graph, (choices or graph.choices)(at), (weights or {}).get(epd))
        else:
            chances = chances_at[epd]
            shares = {e: np.asarray(chances[m]) for e in graph.leaving[at] if (m := graph.edges[e][1]) in chances}
        for number, share in shares.items():
            if number not in graph.closing:
                found[graph.edges[number][2]] += found[at] * share
    return {p.epd: tuple(row) for p, row in zip(graph.positions, found.clip(max=1.0).tolist(), strict=True)}


def turn_of(epd: str) -> chess.Color:
    """The side to move in an EPD or FEN."""
    return epd.split(" ", 2)[1] == "w"


def _shares(graph: Graph, choices: Sequence[int], weights: Mapping[str, float] | None) -> dict[int, float]:
    """How our side divides itself among its moves: by edge number, summing to one."""
    given = {e: max(0.0, weights.get(graph.edges[e][1], 0.0)) for e in choices} if weights else {}
    total = sum(given.values())
    if total > 0:
        return {e: weight / total for e, weight in given.items()}
    return {e: 1.0 / len(choices) for e in choices}


@dataclass(frozen=True, slots=True)
class _Merged:
    index: dict[str, int]
    edges: list[Edge]
    starts: dict[int, str]
    merged: int
    mistakes: frozenset[int]
    at: array[int]
    entered: array[int]


def _merge(repertoire: Repertoire, max_ply: int | None) -> _Merged:
    """Positions by EPD, edges, start positions with their FEN, merged nodes, the edges marked as mistakes, and where
    each node went."""
    forest = repertoire.forest
    at, entered = (array("i", [-1]) * len(forest) for _ in range(2))
    index: dict[str, int] = {}
    edge_numbers: dict[tuple[int, int], int] = {}
    edges: list[Edge] = []
    starts: dict[int, str] = {}
    right: set[int] = set()
    merged = 0
    roots: dict[str, int] = {}
    walker = Walker(forest)

    def placed(epd: str) -> int:
        at = index.setdefault(epd, len(index))
        if at >= MAX_POSITIONS:
            raise RepertoireError(f"more than {MAX_POSITIONS:,} positions: split the repertoire or scan fewer plies")
        return at

    for game in repertoire.games:
        walker.start(game.root, game.start_fen)
        known = len(index)
        if game.start_fen not in roots:
            roots[game.start_fen] = placed(walker.board.epd())
        at[game.root] = roots[game.start_fen]
        merged += len(index) == known
        starts.setdefault(at[game.root], game.start_fen)
        for node in game.moves():
            if max_ply is not None and forest.plies[node] > max_ply:
                continue
            parent, code, known = at[forest.parents[node]], forest.codes[node], len(index)
            number = edge_numbers.get((parent, code))
            if number is None:  # only here a board is needed
                number = edge_numbers[parent, code] = len(edges)
                edges.append((parent, forest.move(node).uci(), placed(walker.go(node).epd())))
            if MISTAKE_NAGS.isdisjoint(forest.nags.get(node, ())):
                right.add(number)
            entered[node], at[node] = number, edges[number][2]
            merged += len(index) == known
    return _Merged(index, edges, starts, merged, frozenset(range(len(edges))) - right, at, entered)


def _leaving(count: int, edges: Sequence[Edge]) -> tuple[tuple[int, ...], ...]:
    leaving: list[list[int]] = [[] for _ in range(count)]
    for number, (parent, _, _) in enumerate(edges):
        leaving[parent].append(number)
    return tuple(map(tuple, leaving))


def _topological(
    starts: Iterable[int], edges: Sequence[Edge], leaving: Sequence[Sequence[int]]
) -> tuple[tuple[int, ...], frozenset[int]]:
    """A topological order, and the edges left out for it because they close a cycle."""
    unseen, on_the_way, done = 0, 1, 2
    state = bytearray(len(leaving))
    finished: list[int] = []
    closing: set[int] = set()
    for start in starts:
        if state[start] != unseen:
            continue
        state[start] = on_the_way
        stack = [(start, iter(leaving[start]))]
        while stack:
            at, rest = stack[-1]
            for number in rest:
                child = edges[number][2]
                if state[child] == unseen:
                    state[child] = on_the_way
                    stack.append((child, iter(leaving[child])))
                    break
                if state[child] == on_the_way:
                    closing.add(number)
            else:
                state[at] = done
                finished.append(at)
                stack.pop()
    return tuple(reversed(finished)), frozenset(closing)


def _count_move_orders(
    starts: Iterable[int],
    edges: Sequence[Edge],
    leaving: Sequence[Sequence[int]],
    order: Iterable[int],
    closing: frozenset[int],
) -> list[int]:
    counts = [0] * len(leaving)
    for start in starts:
        counts[start] = 1
    for at in order:
        for number in leaving[at]:
            if number not in closing:
                child = edges[number][2]
                counts[child] = min(MAX_MOVE_ORDERS, counts[child] + counts[at])
    return counts


def _positions(merged: _Merged, leaving: Sequence[Sequence[int]], move_orders: Sequence[int]) -> tuple[Position, ...]:
    """The positions, each with a shortest move order."""
    edges, epds = merged.edges, list(merged.index)
    queue, arrival = _nearest_first(list(merged.starts), edges, leaving)
    found: list[Position | None] = [None] * len(epds)
    stored = 0
    for at in queue:
        before: Position | None = None
        moves: tuple[str, ...] = ()
        if arrival[at] >= 0:
            parent, move, _ = edges[arrival[at]]
            before = found[parent]
            assert before is not None
            moves = (*before.moves, move)
        stored += len(moves)
        if stored > MAX_STORED_MOVES:
            raise RepertoireError("too many long lines for one scan: split the repertoire or scan fewer plies")
        found[at] = Position(
            epd=epds[at],
            start_fen=before.start_fen if before else merged.starts[at],
            moves=moves,
            move_orders=move_orders[at],
            prepared=tuple(edges[number][1] for number in leaving[at]),
            opening=openings.name_of(epds[at]) or (before.opening if before else None),
        )
    return tuple(position for position in found if position is not None)


def _nearest_first(
    queue: list[int], edges: Sequence[Edge], leaving: Sequence[Sequence[int]]
) -> tuple[list[int], list[int]]:
    """The positions by their distance from the nearest start, and for each the edge by which a shortest move order
    arrives (-1 at a start): of several, the first in the files."""
    distance = [-1] * len(leaving)
    arrival = [-1] * len(leaving)
    for start in queue:
        distance[start] = 0
    for at in queue:  # grows while it is walked
        for number in leaving[at]:
            child = edges[number][2]
            if distance[child] < 0:
                distance[child] = distance[at] + 1
                queue.append(child)
            if distance[child] == distance[at] + 1 and (arrival[child] < 0 or number < arrival[child]):
                arrival[child] = number
    return queue, arrival
