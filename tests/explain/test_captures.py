"""Captures on bare bitboards against the same search written with python-chess's own boards and legal moves."""

from __future__ import annotations

import random

import chess
import pytest

from trapscan.explain.exchange import as_mover, balance, exchange, loot, settle, taken_by, value_at
from trapscan.explain.move_text import checks
from trapscan.explain.play import Play


def plain_loot(board: chess.Board, square: chess.Square) -> int:
    """`exchange.loot`, by legal moves."""
    moves = board.generate_legal_captures(chess.BB_ALL, chess.BB_SQUARES[square])
    takers = [
        (
            50 if board.kings & chess.BB_SQUARES[move.from_square] else value_at(board, move.from_square),
            -move.from_square,
            move,
        )
        for move in moves
        if move.promotion in (None, chess.QUEEN)
    ]
    if not takers:
        return 0
    best = min(takers, key=lambda entry: entry[:2])[2]
    return max(0, plain_exchange(board, best))


def plain_exchange(board: chess.Board, move: chess.Move) -> int:
    """`exchange.exchange`, by legal moves."""
    won = taken_by(board, move)
    after = board.copy(stack=False)
    after.push(move)
    return won - plain_loot(after, move.to_square)


def plain_settle(
    board: chess.Board, low: int, high: int, plies: int, nodes: list[int]
) -> tuple[int, tuple[chess.Move, ...]]:
    """`exchange.settle` for the side to move, by legal moves."""
    nodes[0] += 1
    stand = balance(board, board.turn)
    check = board.is_check()
    if plies <= 0 or nodes[0] > 600:
        return stand, ()
    best = -100 if check else stand
    line: tuple[chess.Move, ...] = ()
    if best >= high:
        return best, line
    low = max(low, best)
    moves = list(board.legal_moves)
    if check:
        moves.sort(key=lambda move: (-taken_by(board, move), move.uci()))
    else:
        moves = [
            move for move in moves if move.promotion == chess.QUEEN or (board.is_capture(move) and not move.promotion)
        ]
        moves.sort(key=lambda move: (-taken_by(board, move), value_at(board, move.from_square), move.uci()))
    for move in moves:
        if not check and stand + taken_by(board, move) <= low and not board.gives_check(move):
            continue
        after = board.copy(stack=False)
        after.push(move)
        value, rest = plain_settle(after, -high, -low, plies - 1, nodes)
        if -value > best:
            best, line = -value, (move, *rest)
            low = max(low, best)
            if best >= high:
                break
    return best, line


def positions(seed: int, number: int) -> list[chess.Board]:
    """Random games with many captures; now and then with the turn passed, so that a king may be left to be taken."""
    rng = random.Random(seed)
    found: list[chess.Board] = []
    while len(found) < number:
        board = chess.Board()
        for _ in range(rng.randrange(4, 100)):
            moves = list(board.legal_moves)
            if not moves:
                break
            noisy = [move for move in moves if board.is_capture(move) or move.promotion or board.gives_check(move)]
            board.push(rng.choice(noisy if noisy and rng.random() < 0.3 else moves))
        found.append(as_mover(board, not board.turn) if rng.random() < 0.15 else board)
    return found


@pytest.mark.parametrize("seed", range(4))
def test_as_with_legal_moves(seed: int) -> None:
    for board in positions(seed, 100):
        assert settle(board, board.turn) == plain_settle(board, -1000, 1000, 10, [0]), board.fen()
        for square in chess.SQUARES:
            assert loot(board, square) == plain_loot(board, square), (board.fen(), square)
        for move in board.legal_moves:
            assert exchange(board, move) == plain_exchange(board, move), (board.fen(), move)


@pytest.mark.parametrize(
    "fen",
    [
        "rnbqkbnr/ppp1p1pp/8/3pPp2/8/8/PPPP1PPP/RNBQKBNR w KQkq f6 0 3",  # en passant
        "8/8/8/1k1pP2Q/8/8/8/4K3 w - d6 0 1",  # with a queen behind
        "8/8/8/K2pP2q/8/8/8/4k3 w - d6 0 1",  # en passant would open the rank to the king
        "4k3/8/8/2KpP3/8/8/8/8 w - d6 0 1",
        "8/8/8/8/1k1Pp3/8/8/4K3 b - d3 0 1",  # the pawn that checks is taken en passant
        "1n2k3/P7/8/8/8/8/8/4K3 w - - 0 1",  # promotions, with and without a capture
        "4k3/8/8/8/8/8/p6P/1N2K2R b K - 0 1",
        "rnbq1bnr/pppp1ppp/8/4p3/2B1P2k/8/PPPP1PPP/RNBQK1NR w KQ - 0 1",  # castling stands in no capture's way
        "4k3/8/8/8/8/5q2/8/4K2R b K - 0 1",
        "3rk3/8/8/8/7b/8/3R1P2/3K4 b - - 0 1",  # pins
        "4k3/4r3/8/8/8/8/4B3/r3K3 w - - 0 1",
        "k7/8/8/8/4n3/3b1P2/8/R3K2R w KQ - 0 1",
    ],
)
def test_special_moves(fen: str) -> None:
    for board in (chess.Board(fen), as_mover(chess.Board(fen), not chess.Board(fen).turn)):
        assert settle(board, board.turn) == plain_settle(board, -1000, 1000, 10, [0])
        for square in chess.SQUARES:
            assert loot(board, square) == plain_loot(board, square), square
        for move in board.legal_moves:
            assert exchange(board, move) == plain_exchange(board, move), move


def test_no_check_is_missed_where_mates_are_looked_for() -> None:
    found = 0
    for board in positions(4, 300):
        if board.was_into_check():
            continue
        checking = [move for move in board.legal_moves if board.gives_check(move)]
        assert [move for move in checks(board) if board.gives_check(move)] == checking, board.fen()
        found += len(checking)
    assert found > 100


def test_a_line_is_kept_for_its_own_position_only() -> None:
    start = chess.Board("4k3/8/8/8/8/8/4P3/4K3 w - - 0 1")
    other = chess.Board("4k3/8/8/8/8/8/4P3/4K3 w - - 7 9")
    slip, line = chess.Move.from_uci("e2e4"), ("e8e7", "e1e2")
    play = Play.after(start, slip, line)
    assert Play.after(start.copy(), slip, line) is play
    assert [board.fen() for board in Play.after(other, slip, line).boards] != [board.fen() for board in play.boards]
    assert len(Play.after(start, slip, line[:1])) == 1
    assert play.boards[0].peek() == slip
