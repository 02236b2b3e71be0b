"""A small UCI engine for tests of whole scans: `material_uci.py [MILLISECONDS] [MARK]`. It plays on any position.

Its verdict on a move is the material after it, the best single capture in reply, and some centipawns by a checksum of
the position, so that equal positions get equal answers and different ones seldom do. Mate in one is seen. It reports
just the nodes it was allowed. MILLISECONDS: how long each search sleeps; MARK: a word to find the process by; where it
is "unless=FILE" the engine dies in each search once that file exists.
"""

from __future__ import annotations

import os
import sys
import time
import zlib

import chess

WORTH = {chess.PAWN: 100, chess.KNIGHT: 320, chess.BISHOP: 330, chess.ROOK: 500, chess.QUEEN: 900, chess.KING: 0}
PAUSE = float(sys.argv[1]) / 1000 if len(sys.argv) > 1 else 0.0
FATAL = sys.argv[2].partition("unless=")[2] if len(sys.argv) > 2 else ""
MATE = 30_000


def material(board: chess.Board) -> int:
    """Centipawns, for the side to move."""
    return sum(
        WORTH[piece.piece_type] * (1 if piece.color == board.turn else -1) for piece in board.piece_map().values()
    )


def best_capture(board: chess.Board) -> int:
    """What the side to move wins at once by its best capture, a recapture reckoned with."""
    best = 0
    for move in board.generate_legal_captures():
        taken = board.piece_type_at(move.to_square) or chess.PAWN
        mover = board.piece_type_at(move.from_square) or chess.PAWN
        guarded = board.is_attacked_by(not board.turn, move.to_square)
        best = max(best, WORTH[taken] - (WORTH[mover] if guarded else 0))
    return best


def verdict(board: chess.Board, move: chess.Move) -> int:
    """Centipawns for the side to move after playing `move`; MATE when it mates."""
    board.push(move)
    try:
        if board.is_check() and board.is_checkmate():
            return MATE
        if not any(board.legal_moves):
            return 0
        whim = zlib.crc32(board.epd().encode()) % 31 - 15
        return -material(board) - best_capture(board) + whim
    finally:
        board.pop()


def score(value: int) -> str:
    """As UCI writes it."""
    return "mate 1" if value == MATE else f"cp {value}"


def search(board: chess.Board, words: list[str], lines: int) -> None:
    """Answer one `go`."""
    if FATAL and os.path.exists(FATAL):  # noqa: PTH110 - few imports, fast start
        os._exit(3)
    time.sleep(PAUSE)
    allowed = int(words[words.index("nodes") + 1]) if "nodes" in words else 2_000
    depth = int(words[words.index("depth") + 1]) if "depth" in words else 4
    moves = list(board.legal_moves)
    if "searchmoves" in words:
        wanted = set(words[words.index("searchmoves") + 1 :])
        moves = [move for move in moves if move.uci() in wanted]
    if not moves:
        print(f"info depth 0 score {'mate 0' if board.is_check() else 'cp 0'}\nbestmove (none)", flush=True)
        return
    ranked = sorted(((verdict(board, move), move.uci()) for move in moves), key=lambda each: (-each[0], each[1]))
    for number, (value, uci) in enumerate(ranked[:lines], 1):
        pv = uci
        if value != MATE:  # a reply, so that a line has an end to be judged by
            board.push_uci(uci)
            reply = max(((verdict(board, move), move.uci()) for move in board.legal_moves), default=None)
            board.pop()
            pv = f"{uci} {reply[1]}" if reply else uci
        print(f"info depth {depth} multipv {number} score {score(value)} nodes {allowed} time 1 pv {pv}")
    print(f"bestmove {ranked[0][1]}", flush=True)


def main() -> None:
    """The conversation."""
    board, lines = chess.Board(), 1
    for text in sys.stdin:
        words = text.split()
        word = words[0] if words else ""
        if word == "uci":
            print("id name Material 1.0\noption name MultiPV type spin default 1 min 1 max 64")
            print("option name Hash type spin default 16 min 1 max 64\nuciok", flush=True)
        elif word == "isready":
            print("readyok", flush=True)
        elif word == "setoption" and words[2].lower() == "multipv":
            lines = int(words[4])
        elif word == "position":
            board = chess.Board(" ".join(words[2:8]))
        elif word == "go":
            search(board, words, lines)
        elif word == "quit":
            break


if __name__ == "__main__":
    main()
