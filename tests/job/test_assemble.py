"""What assembling adds to a slip."""

from __future__ import annotations

import chess

from tests.report.sample_scans import traps
from trapscan.contract import ReplyKind
from trapscan.job.assemble import reply_kind


def test_what_kind_of_move_refutes_the_documented_traps() -> None:
    """As the signs of the moves tell it that the literature writes: + and # for a check, x for a capture (PGN standard,
    8.2.3.3 and 8.2.3.5, from memory)."""
    seen = set()
    for trap in traps():
        board = chess.Board(trap["fen_before"])
        board.push_san(trap["slip"])
        reply = board.parse_san(trap["punish"][0])
        san = board.san(reply)
        kind = reply_kind(board, [reply.uci()])
        assert kind == ("check" if san[-1] in "+#" else "capture" if "x" in san else "quiet"), (trap["id"], san)
        seen.add(kind)
    assert seen == set(ReplyKind)
    assert reply_kind(chess.Board(), []) is None
