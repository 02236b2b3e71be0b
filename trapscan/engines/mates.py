"""A mate in one or two by checks, proved on the board.

Engines that prune hard overlook sacrifices which mate: Ethereal 12.00 does not see 7.Qxh5+ and 8.Bg6# of Teed-Delmar
(New York 1896) at any depth up to 17, sunfish not with 32,669 nodes.
"""

from __future__ import annotations

import chess


def mate_by_checks(board: chess.Board) -> tuple[str, ...]:
    """The shortest line (UCI) by which the side to move mates in at most two moves, both of them checks: one move, or
    three, in which the other side takes what is offered if it can; () when there is none. `board` stays as it is."""
    board = board.copy(stack=False)
    checks = [move for move in sorted(board.legal_moves, key=chess.Move.uci) if board.gives_check(move)]
    for move in checks:
        if _mates(board, move):
            return (move.uci(),)
    for move in checks:
        board.push(move)
        replies = sorted(board.legal_moves, key=lambda reply: (not board.is_capture(reply), reply.uci()))
        lines = [_answered(board, reply) for reply in replies]
        board.pop()
        if all(lines):
            return (move.uci(), *lines[0])
    return ()


def _answered(board: chess.Board, reply: chess.Move) -> tuple[str, ...]:
    """The reply and the move that mates after it, or ()."""
    board.push(reply)
    mate = next((move for move in board.legal_moves if board.gives_check(move) and _mates(board, move)), None)
    board.pop()
    return (reply.uci(), mate.uci()) if mate is not None else ()


def _mates(board: chess.Board, move: chess.Move) -> bool:
    board.push(move)
    mated = board.is_checkmate()
    board.pop()
    return mated
