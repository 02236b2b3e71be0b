"""The shipped net: what it says, and that it says it steadily."""

import itertools
import math
import pickle

import chess
import pytest

from trapscan.chance import load_model
from trapscan.chance.encode import attackers, known_ply, move_entries, squares
from trapscan.chance.net import LEAGUE, PRESENT, Conditions

LEVELS = (600, 1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400, 2600)


def after(line: str) -> chess.Board:
    board = chess.Board()
    for san in line.split():
        board.push_san(san)
    return board


POSITIONS = [
    "",
    "e4 e5 Nf3 Nc6 Bc4 Nd4",
    "e4 e5 Nf3 d6 Bc4 Bg4 Nc3 g6",  # before Legal's sacrifice
    "d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5 Bg5 Nbd7",  # the Elephant trap lies in wait
    "e4 c6 d4 d5 e5 Bf5 h4",
    "e4 d5 exd5 Qxd5",
    "e4 a6 e5 d5",  # en passant is legal
]


@pytest.mark.parametrize("line", POSITIONS)
def test_every_level_sums_to_one_over_exactly_the_legal_moves(line: str) -> None:
    board = after(line)
    (chances,) = load_model().predict([board], LEVELS)
    assert set(chances) == {move.uci() for move in board.legal_moves}
    for column in zip(*chances.values(), strict=True):
        assert abs(sum(column) - 1) < 1e-6
        assert min(column) >= 0


# Said by the fitted net itself (folds 5-99): a guard against a broken encoding or file, not a proof of quality.
@pytest.mark.parametrize(
    ("line", "move", "level", "low", "high"),
    [
        ("", "e2e4", 1600, 0.45, 0.70),
        ("", "g1h3", 1600, 0.0, 0.01),
        ("e4 d5", "e4d5", 1600, 0.60, 0.95),
        ("e4 e5 Nf3", "b8c6", 1800, 0.45, 0.85),
        ("e4 e5 Qh5 Nc6 Bc4", "g8f6", 1000, 0.02, 0.40),  # allows mate on f7
    ],
)
def test_moves_that_everybody_knows(line: str, move: str, level: int, low: float, high: float) -> None:
    (chances,) = load_model().predict([after(line)], (level,))
    assert low <= chances[move][0] <= high


# What the shipped weights said when they were exported (at 1000, 1600, 2200); other processors may differ a little.
@pytest.mark.parametrize(
    ("line", "move", "shares"),
    [
        ("", "d2d4", (0.236, 0.272, 0.282)),
        ("e4 e5 Nf3 Nc6 Bc4 Nd4", "f3e5", (0.310, 0.190, 0.198)),
        ("e4 e5 Nf3 d6 Bc4 Bg4 Nc3 g6", "h2h3", (0.400, 0.494, 0.558)),
        ("d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5 Bg5 Nbd7", "c3d5", (0.250, 0.312, 0.176)),
        ("e4 e5 Qh5 Nc6 Bc4", "d8f6", (0.036, 0.165, 0.105)),
    ],
)
def test_golden_numbers(line: str, move: str, shares: tuple[float, ...]) -> None:
    (chances,) = load_model().predict([after(line)], (1000, 1600, 2200))
    assert chances[move] == pytest.approx(shares, abs=0.01)


def test_the_mate_on_f7_is_overlooked_less_by_the_strong() -> None:
    """Scholar's mate, common practice: 3...Nf6 is a beginner's move."""
    (chances,) = load_model().predict([after("e4 e5 Qh5 Nc6 Bc4")], (800, 1200, 1600, 2000))
    assert list(chances["g8f6"]) == sorted(chances["g8f6"], reverse=True)


def test_twice_the_same_and_a_batch_is_its_parts() -> None:
    boards = [after(line) for line in POSITIONS]
    model = load_model()
    batch = model.predict(boards, LEVELS)
    assert batch == model.predict(boards, LEVELS)
    assert batch == [model.predict([board], LEVELS)[0] for board in boards]
    mate, long = after("f3 e5 g4 Qh4#"), [*boards[::-1], *boards[:5]]
    assert model.predict([mate, *long], LEVELS) == [{}, *batch[::-1], *batch[:5]]


def test_the_curve_over_level_has_no_jumps() -> None:
    levels = tuple(range(600, 2601, 25))
    for chances in load_model().predict([after(line) for line in POSITIONS], levels):
        for shares in chances.values():
            assert max(abs(b - a) for a, b in itertools.pairwise(shares)) < 0.04


def test_a_lone_level_agrees_with_the_same_level_among_others() -> None:
    (many,) = load_model().predict([after(POSITIONS[1])], LEVELS)
    (one,) = load_model().predict([after(POSITIONS[1])], (1600,))
    for move, shares in one.items():
        assert math.isclose(shares[0], many[move][LEVELS.index(1600)], abs_tol=5e-6)


def test_colours_swapped_give_the_same_chances() -> None:
    board = chess.Board("r1bqkb1r/pppp1ppp/2n2n2/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR w KQkq - 4 4")
    (here,) = load_model().predict([board], (1500,))
    (there,) = load_model().predict([board.mirror()], (1500,))
    for move, share in here.items():
        mirrored = chess.Move.from_uci(move)
        mirrored.from_square ^= 56
        mirrored.to_square ^= 56
        # the ply differs by one (Black to move in move 4)
        assert math.isclose(there[mirrored.uci()][0], share[0], abs_tol=0.02)


def test_no_legal_move_no_chances() -> None:
    mate = after("f3 e5 g4 Qh4#")
    assert load_model().predict([mate], (1500,)) == [{}]


def test_promotions_share_one_entry_and_the_queen_takes_nearly_all() -> None:
    board = chess.Board("8/P6k/8/8/8/8/7K/8 w - - 0 60")
    (chances,) = load_model().predict([board], (1500,))
    assert chances["a7a8q"][0] > 20 * chances["a7a8n"][0] > 0


def test_a_worker_gets_the_same_model() -> None:
    model = load_model()
    assert pickle.loads(pickle.dumps(model)).name == model.name
    fast = load_model(60)
    assert pickle.loads(pickle.dumps(fast)).conditions == fast.conditions != model.conditions


def test_in_a_hurry_the_mate_on_f7_is_overlooked_more() -> None:
    """With less time people err more: common practice, no source."""
    board = after("e4 e5 Qh5 Nc6 Bc4")
    (bullet,), (rapid,) = (load_model(seconds).predict([board], (1000, 1400, 1800)) for seconds in (60, 600))
    assert all(fast > slow for fast, slow in zip(bullet["g8f6"], rapid["g8f6"], strict=True))
    assert load_model().predict([board], (1000, 1400, 1800)) == [rapid]


def test_long_games_are_those_of_the_league() -> None:
    assert load_model(6600).conditions == Conditions(6600.0, LEAGUE)
    assert load_model().conditions == load_model(600).conditions == Conditions(600.0, PRESENT)


def test_castling_of_chess960_is_the_kings_two_square_move() -> None:
    board = chess.Board("4k3/8/8/8/8/8/8/4K2R w K - 0 1", chess960=True)
    castling = board.parse_san("O-O")
    assert move_entries(board, [castling]) == [chess.E1 * 64 + chess.G1]


def test_attackers_are_those_python_chess_counts() -> None:
    board = after("e4 e5 Nf3 Nc6 Bc4 Nd4 Nxe5 Qg5")
    counts = attackers(board)
    for square in chess.SQUARES:
        for column, side in ((0, board.turn), (3, not board.turn)):
            assert counts[square, column : column + 3].sum() == len(board.attackers(side, square))
    black = after("e4 e5 Nf3")
    assert attackers(black)[chess.E5 ^ 56, 3:].sum() == len(black.attackers(chess.WHITE, chess.E5))
    assert squares(black)[chess.E8 ^ 56] == chess.KING


def test_an_epd_without_counters_has_no_known_ply() -> None:
    board = after("e4 e5 Nf3 Nc6")
    assert known_ply(board) == 4
    bare = chess.Board()
    bare.set_epd(board.epd())
    assert known_ply(bare) == -1
    assert known_ply(chess.Board()) == 0
    first = after("e4")
    first.clear_stack()
    assert known_ply(first) == 1
