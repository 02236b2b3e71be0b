"""Positions that engines are measured on; none of them says anything about a user's repertoire."""

from __future__ import annotations

# Opening and early middlegame positions of common openings, our own choice; no side to move or structure twice.
OPENINGS = (
    "rnbqkb1r/pp1p1ppp/4pn2/4P3/3N4/8/PPP2PPP/RNBQKB1R b KQkq - 0 1",
    "r1bqkbnr/pppp1ppp/2n5/4p3/2B1P3/5N2/PPPP1PPP/RNBQK2R b KQkq - 0 1",
    "rnbq1rk1/ppp1bppp/4pn2/3p2B1/2PP4/2N2N2/PP2PPPP/R2QKB1R w KQ - 0 1",
    "r1bq1rk1/pp2ppbp/2np1np1/8/3NP3/2N1BP2/PPPQ2PP/R3KB1R w KQ - 0 1",
)
# Queens off: an engine may carry its endgame ways over to the next search (measured: sunfish's king table).
ENDING = "8/5pk1/4p1p1/8/3R4/4P1PP/r4PK1/8 w - - 0 1"
MATE_IN_ONE = "6k1/5ppp/8/8/8/8/8/R5K1 w - - 0 1"
MATE_IN_TWO = "k7/8/1K6/8/8/8/8/1R6 b - - 0 1"  # the mated side to move, one legal move, mated by 2.Rc8/2.R any
QUEEN_UP_BLACK = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNB1KBNR b KQkq - 0 1"

# Just after known opening slips: what a shallow search gets wrong shows here. Our own set of traps (tests/data).
SHARP = (
    "rnbqk1nr/ppp2ppp/8/4P3/1BP5/4p3/PP3PPP/RN1QKBNR b KQkq - 0 1",
    "rnbqkb1r/pppp2pp/5n2/4N3/2B1p3/8/PPPP1PPP/RNBQK2R w KQkq - 0 1",
    "rn1qkbnr/ppp2p1p/3p2p1/4N3/2B1P3/2N5/PPPP1PPP/R1BbK2R w KQkq - 0 1",
    "r1bqkb1r/p3pp1p/2p2np1/4p3/2B5/2N5/PPP2PPP/R1BQK2R w KQkq - 0 1",
    "r1bqkb1r/pp2pppp/3p1n2/4n3/2B5/2N2N2/PP3PPP/R1BQK2R w KQkq - 0 1",
    "rnb1kb1r/1p3ppp/p2ppn2/6B1/3NPP2/P1N5/1qP3PP/R2QKB1R w KQkq - 0 1",
    "r1bqkbnr/pppp1ppp/8/4N3/2BnP3/8/PPPP1PPP/RNBQK2R b KQkq - 0 1",
    "r1bqkbnr/2p2ppp/p2p4/1p6/3QP3/1B6/PPP2PPP/RNB1K2R b KQkq - 0 1",
    "rn1qkb1r/ppp2ppp/3p4/5b2/4n3/2N2N2/PPPP1PPP/R1BQKB1R w KQkq - 0 1",
    "rn1qkb1r/ppp2ppp/5n2/4p3/2B1P3/5Q2/PPP2PPP/RNB1K2R w KQkq - 0 1",
    "rnb1kbnr/pp3pp1/1qp4p/3pP3/7B/1P2P3/P1P2PPP/RN1QKBNR b KQkq - 0 1",
    "r1bqr1k1/1p1nb1pp/p1p5/3p1p2/3PnB2/2NBPN2/PPQ2PPP/2R2RK1 w - - 0 1",
)
