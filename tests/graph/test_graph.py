"""Merging, move orders, shortest move orders, cycles, and reach."""

from __future__ import annotations

import itertools
import random
from collections import defaultdict
from pathlib import Path

import chess
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from trapscan import graph, repertoire
from trapscan.errors import RepertoireError
from trapscan.graph import Graph
from trapscan.model import Position

LEVELS = (1000, 2000)


def build(folder: Path, text: str, name: str = "x.pgn", **options: int) -> Graph:
    (folder / name).write_text(text)
    return graph.build(repertoire.read_files([folder / name]), **options)


def after(*sans: str) -> str:
    board = chess.Board()
    for san in sans:
        board.push_san(san)
    return board.epd()


def at(built: Graph, *sans: str) -> Position:
    found = built.find(after(*sans))
    assert found is not None
    return found


# --- merging ---------------------------------------------------------------------------------------------------------


def test_two_move_orders_are_one_position(tmp_path: Path) -> None:
    built = build(tmp_path, "1. d4 d5 2. c4 e6 3. Nc3 Nf6 *\n1. c4 e6 (1... Nf6 2. Nc3 e6 3. d4 d5) 2. d4 d5 3. Nc3 *")
    queens_gambit = at(built, "d4", "d5", "c4", "e6", "Nc3")
    assert queens_gambit.move_orders == 2
    assert queens_gambit.moves == ("d2d4", "d7d5", "c2c4", "e7e6", "b1c3")
    assert at(built, "d4", "d5", "c4", "e6", "Nc3", "Nf6").move_orders == 3
    assert queens_gambit.prepared == ("g8f6",)
    nodes = 7 + 7 + 5 - 1  # two games with their roots and one variation: 1.d4... , 1.c4..., 1...Nf6...
    assert len(built.positions) + built.merged == nodes
    assert sum(position.move_orders > 1 for position in built.positions) == 3


def test_en_passant_and_castling_rights_keep_positions_apart(tmp_path: Path) -> None:
    # After 1.e4 the square e3 is no legal capture: 1.e4 merges with 1.e3 ... 2.e4. After 1...d5 2.e5 f5 it is one.
    text = "1. e4 a6 2. e5 f5 *\n1. e3 f6 2. e4 a6 3. e5 f5 *\n1. Nf3 Nf6 2. Rg1 Rg8 3. Rh1 Rh8 *"
    built = build(tmp_path, text)
    assert after("e4", "a6", "e5", "f5").split()[3] == "f6"
    assert at(built, "e4", "a6", "e5", "f5").epd != at(built, "e3", "f6", "e4", "a6", "e5", "f5").epd
    assert after("Nf3", "Nf6", "Rg1", "Rg8", "Rh1", "Rh8") != after("Nf3", "Nf6")


def test_prepared_moves_stand_in_file_order_the_main_move_first(tmp_path: Path) -> None:
    built = build(tmp_path, "1. e4 c5 (1... e6) (1... e5) *\n1. d4 *\n1. e4 d5 *")
    assert built.positions[0].prepared == ("e2e4", "d2d4")
    assert at(built, "e4").prepared == ("c7c5", "e7e6", "e7e5", "d7d5")
    assert [p.moves for p in built.positions][:4] == [(), ("e2e4",), ("e2e4", "c7c5"), ("e2e4", "e7e6")]


def test_leaves_are_positions(tmp_path: Path) -> None:
    built = build(tmp_path, "1. f3 e5 2. g4 Qh4# *")
    assert built.positions[-1].prepared == () and built.positions[-1].board().is_checkmate()


def test_the_shortest_move_order_is_kept_and_ties_go_to_the_first_in_the_files(tmp_path: Path) -> None:
    built = build(
        tmp_path, "1. e3 e5 2. e4 Nf6 3. Nf3 *\n1. Nf3 Nf6 2. e3 e5 *\n1. e3 Nf6 2. Nf3 e5 *\n1. e3 e5 2. Nf3 Nf6 *"
    )
    target = at(built, "e3", "e5", "Nf3", "Nf6")
    assert target.moves == ("g1f3", "g8f6", "e2e3", "e7e5")
    assert target.move_orders == 3


def test_max_ply(tmp_path: Path) -> None:
    built = build(tmp_path, "1. e4 e5 2. Nf3 (2. d4 exd4 3. Qxd4) Nc6 3. Bb5 *", max_ply=3)
    assert max(len(p.moves) for p in built.positions) == 3 and len(built.positions) == 5


def test_openings_are_carried_on(tmp_path: Path) -> None:
    built = build(tmp_path, "1. e4 e6 2. d4 d5 3. e5 c5 4. h3 a6 *")
    assert at(built, "e4", "e6").opening == ("C00", "French Defense")
    last = built.positions[-1]
    assert last.opening == at(built, "e4", "e6", "d4", "d5", "e5", "c5").opening
    assert last.opening and last.opening[0] == "C02" and "Advance" in last.opening[1]


def test_several_start_positions(tmp_path: Path) -> None:
    knights = "r1bqkbnr/pppp1ppp/2n5/4p3/4P3/5N2/PPPP1PPP/RNBQKB1R w KQkq - 2 3"
    built = build(tmp_path, f'1. e4 e5 2. Nf3 Nc6 *\n\n[FEN "{knights}"]\n\n3. Bb5 *\n\n[FEN "{knights}"]\n\n3. Bc4 *')
    assert [built.positions[at].start_fen for at in built.starts] == [chess.STARTING_FEN, knights]
    assert built.games == 3 and len(built.positions) == 7
    second = built.positions[built.starts[1]]
    assert (second.moves, second.move_orders, second.start_fen) == ((), 2, knights)


# --- move orders against plain enumeration ----------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_move_orders_equal_a_count_of_paths(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    """Pawn and knight moves that commute: many transpositions and no cycles; each path is listed one by one."""
    rng = random.Random(seed)
    white, black = ["a3", "b3", "e3", "h3"], ["a6", "d6", "g6", "h6"]
    rows = []
    for _ in range(rng.randint(1, 12)):
        rng.shuffle(white)
        rng.shuffle(black)
        rows.append(" ".join(itertools.chain(*zip(white, black, strict=True))))
    built = build(tmp_path_factory.mktemp("graph"), "\n".join(rows), "x.txt")
    children: dict[int, list[int]] = defaultdict(list)
    for parent, _, child in built.edges:
        children[parent].append(child)
    count: dict[int, int] = defaultdict(int)
    paths = [0]
    while paths:
        here = paths.pop()
        count[here] += 1
        paths += children[here]
    assert [position.move_orders for position in built.positions] == [count[i] for i in range(len(built.positions))]
    assert [position.board().epd() for position in built.positions] == [position.epd for position in built.positions]


def test_move_orders_multiply_and_are_capped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Four pairs of White moves, each possible in both orders: 2^4 ways to the end."""
    text = " ".join(f"{a}3 ({b}3 {a}6 {a}3) {a}6 {b}3 {b}6" for a, b in ("ab", "cd", "ef", "gh"))
    built = build(tmp_path, text + " *")
    assert at(built, *[f"{f}{r}" for f in "abcdefgh" for r in "36"]).move_orders == 16
    monkeypatch.setattr(graph, "MAX_MOVE_ORDERS", 10)
    assert max(position.move_orders for position in build(tmp_path, text + " *").positions) == 10


# --- cycles ----------------------------------------------------------------------------------------------------------


def test_a_repetition_does_not_hang_and_counts_once(tmp_path: Path) -> None:
    built = build(tmp_path, "Nf3 Nf6 Ng1 Ng8 e4 e5\nNf3 Nf6 Ng1 Ng8 Nf3 Nf6 Ng1 d5\n", "x.txt")
    assert len(built.closing) == 1
    assert built.edges[next(iter(built.closing))][2] == 0  # 2...Ng8 leads back to the start
    assert {position.move_orders for position in built.positions} == {1}
    assert at(built, "e4", "e5").moves == ("e2e4", "e7e5")
    assert sorted(built.order) == list(range(len(built.positions)))


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_the_order_is_topological_whatever_the_cycles(tmp_path_factory: pytest.TempPathFactory, seed: int) -> None:
    rng = random.Random(seed)
    rows = []
    for _ in range(rng.randint(1, 6)):
        board = chess.Board("4k3/8/8/8/8/8/8/4K3 w - - 0 1")
        start, moves = board.fen(), []
        for _ in range(rng.randint(1, 40)):
            moves.append(board.san(move := rng.choice(sorted(board.legal_moves, key=str)[:3])))
            board.push(move)
        rows.append(f'[FEN "{start}"]\n\n{" ".join(moves)} *')
    built = build(tmp_path_factory.mktemp("graph"), "\n\n".join(rows))
    place = {position: i for i, position in enumerate(built.order)}
    assert len(place) == len(built.positions)
    for number, (parent, _, child) in enumerate(built.edges):
        assert number in built.closing or place[parent] < place[child]
    reached = graph.reach(built, {}, chess.WHITE, LEVELS)
    assert all(0.0 <= p <= 1.0 for row in reached.values() for p in row)


# --- reach -----------------------------------------------------------------------------------------------------------


def test_reach_by_hand(tmp_path: Path) -> None:
    text = "1. e4 e5 (1... c5 2. Nf3) 2. Nf3 (2. Bc4) Nc6 *"
    built = build(tmp_path, text)
    chances = {
        after("e4"): {"e7e5": (0.5, 0.25), "c7c5": (0.2, 0.5), "e7e6": (0.3, 0.25)},
        after("e4", "e5", "Nf3"): {"b8c6": (0.6, 0.8), "d7d6": (0.4, 0.2)},
    }
    reached = graph.reach(built, chances, chess.WHITE, LEVELS)
    assert reached[chess.Board().epd()] == (1.0, 1.0)
    assert reached[after("e4")] == (1.0, 1.0)  # our move, the only one
    assert reached[after("e4", "c5", "Nf3")] == pytest.approx((0.2, 0.5))
    assert reached[after("e4", "e5", "Nf3")] == pytest.approx((0.25, 0.125))  # our moves share equally
    assert reached[after("e4", "e5", "Nf3", "Nc6")] == pytest.approx((0.15, 0.1))
    weighted = graph.reach(built, chances, chess.WHITE, LEVELS, weights={after("e4", "e5"): {"g1f3": 3.0, "f1c4": 1.0}})
    assert weighted[after("e4", "e5", "Bc4")] == pytest.approx((0.125, 0.0625))


def test_reach_adds_up_transpositions(tmp_path: Path) -> None:
    built = build(tmp_path, "e4 e5 Nf3 Nc6\nNf3 Nc6 e4 e5\n", "x.txt")
    half = (0.5, 0.5)
    chances = {
        chess.Board().epd(): {"e2e4": half, "g1f3": half},
        after("e4", "e5"): {"g1f3": (0.4, 0.2)},
        after("Nf3", "Nc6"): {"e2e4": (0.2, 0.6)},
    }
    reached = graph.reach(built, chances, chess.BLACK, LEVELS)
    assert reached[after("e4", "e5", "Nf3", "Nc6")] == pytest.approx((0.3, 0.4))


def test_a_marked_mistake_of_ours_is_not_followed(tmp_path: Path) -> None:
    built = build(tmp_path, "1. e4 e5 2. Nf3 (2. Qh5 $2 Nc6) Nc6 *")
    reached = graph.reach(built, {after("e4"): {"e7e5": (1.0, 1.0)}}, chess.WHITE, LEVELS)
    assert reached[after("e4", "e5", "Nf3")] == (1.0, 1.0)
    assert reached[after("e4", "e5", "Qh5")] == (0.0, 0.0)


def test_each_start_has_probability_one(tmp_path: Path) -> None:
    built = build(tmp_path, f'1. e4 e5 *\n\n[FEN "{after("e4")} 0 1"]\n\n1... e5 *')
    reached = graph.reach(built, {}, chess.WHITE, LEVELS)
    assert set(reached.values()) == {(1.0, 1.0)}


# --- beyond the end, limits -------------------------------------------------------------------------------------------


def test_extend(tmp_path: Path) -> None:
    leaf = build(tmp_path, "1. e4 e6 2. d4 *").positions[-1]
    child = graph.extend(graph.extend(leaf, "d7d5"), "e4e5")
    assert (child.epd, child.beyond, child.moves[-2:]) == (after("e4", "e6", "d4", "d5", "e5"), 2, ("d7d5", "e4e5"))
    assert child.opening == ("C02", "French Defense: Advance Variation")
    assert graph.extend(child, "h7h6").opening == child.opening
    with pytest.raises(ValueError):
        graph.extend(leaf, "e7e1")


def test_too_many_positions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(graph, "MAX_POSITIONS", 5)
    with pytest.raises(RepertoireError, match="more than 5 positions"):
        build(tmp_path, "e4 e5 Nf3 Nc6 Bb5 a6", "x.txt")
    monkeypatch.setattr(graph, "MAX_POSITIONS", 100)
    monkeypatch.setattr(graph, "MAX_STORED_MOVES", 10)
    with pytest.raises(RepertoireError, match="too many long lines"):
        build(tmp_path, "e4 e5 Nf3 Nc6 Bb5 a6", "x.txt")
