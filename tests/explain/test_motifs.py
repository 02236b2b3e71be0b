"""Each motif on a position made for it. The positions are textbook patterns set up by hand (from memory, no source);
the named ones say so."""

from __future__ import annotations

import dataclasses
import sys
import threading

import chess
import pytest

from tests.independent.sentences import false_claims
from trapscan.explain import REGISTRY, Explanation, MotifClass, Play, explain_slip, find_motifs
from trapscan.explain import motif as m
from trapscan.explain.themes import THEMES
from trapscan.model import Line
from trapscan.score import Score

CASES = [
    # name, position with the punisher to move, line, motif's ply, its targets
    ("fork", "r3k3/8/8/1N6/8/8/8/4K3 w - - 0 1", "b5c7 e8d7 c7a8", 1, ["e8", "a8"]),
    ("double attack", "4k3/8/8/6b1/8/8/8/3QK3 w - - 0 1", "d1h5 e8d8 h5g5", 1, ["e8", "g5"]),
    ("check that wins a piece", "4k3/8/8/6b1/8/8/8/3QK3 w - - 0 1", "d1h5 e8d8 h5g5", 1, ["g5"]),
    ("check that wins a pawn", "q3k3/8/8/8/4P3/8/8/4K3 b - - 0 1", "a8a1 e1d2 a1d4 d2e2 d4e4", 3, ["e4"]),
    ("pin", "4k3/8/2n5/8/8/8/8/4KB2 w - - 0 1", "f1b5 e8d7 b5c6", 1, ["c6", "e8"]),
    ("skewer", "8/8/8/8/q2k4/8/8/2K3R1 w - - 0 1", "g1g4 d4d3 g4a4", 1, ["d4", "a4"]),
    ("discovered attack", "3qk3/8/8/8/3B4/8/8/3RK3 w - - 0 1", "d4b6 e8f7 d1d8", 1, ["d8"]),
    ("discovered check", "4k3/8/8/8/4N3/8/8/K3R3 w - - 0 1", "e4c5 e8d8", 1, ["e8"]),
    ("double check", "4k3/8/8/8/4N3/8/8/K3R3 w - - 0 1", "e4d6 e8d7", 1, ["e8"]),
    ("hanging piece", "4k3/8/8/3n4/8/8/8/3RK3 w - - 0 1", "d1d5", 1, ["d5"]),
    ("trapped piece", "4k3/p7/1p6/8/8/8/PPP5/bK6 w - - 0 1", "c2c3 e8d7 b1a1", 1, ["a1"]),
    ("removal of the guard", "4k3/8/5n2/3r2B1/8/2N5/8/4K3 w - - 0 1", "g5f6 g7f6 c3d5", 1, ["f6", "d5"]),
    ("deflection", "3qk3/8/8/8/2B5/8/8/3QK3 w - - 0 1", "c4f7 e8f7 d1d8", 1, ["e8", "d8"]),
    ("overloaded piece", "3qk3/5p2/8/8/2B5/8/8/3QK3 w - - 0 1", "c4f7 e8f7 d1d8", 1, ["e8", "d8", "f7"]),
    ("decoy", "6k1/8/8/6N1/8/8/8/4K2R w - - 0 1", "h1h8 g8h8 g5f7", 1, ["g8", "h8"]),
    ("interference", "3r2k1/8/8/8/B7/3b4/8/3RK3 w - - 0 1", "a4d7 g8f7 d1d3", 1, ["d3", "d8"]),
    ("back-rank mate", "6k1/5ppp/8/8/8/8/8/4K2R w K - 0 1", "h1h3 g8f8 h3d3 f8g8 d3d8", 5, ["g8"]),
    ("smothered mate", "6rk/6pp/7N/8/8/8/8/4K3 w - - 0 1", "h6f7", 1, ["h8"]),
    ("mating net", "6k1/5ppp/8/8/8/8/8/3RK3 w - - 0 1", "d1d8", 1, ["g8"]),
    ("promotion", "8/P3k3/8/8/8/8/8/4K3 w - - 0 1", "a7a8q", 1, ["a8"]),
]


@pytest.mark.parametrize("name, fen, line, ply, targets", CASES, ids=[case[0] for case in CASES])
def test_motif_on_its_pattern(name: str, fen: str, line: str, ply: int, targets: list[str]) -> None:
    board = chess.Board(fen)
    if name == "removal of the guard":
        board.set_piece_at(chess.G7, chess.Piece.from_symbol("p"))
    found = [motif for motif in find_motifs(board, line.split()) if motif.name == name]
    assert found, [motif.name for motif in find_motifs(board, line.split())]
    assert found[0].ply == ply
    assert sorted(map(chess.square_name, found[0].targets)) == sorted(targets)


def after(*sans: str) -> chess.Board:
    board = chess.Board()
    for san in sans:
        board.push_san(san)
    return board


def names(board: chess.Board, *line: str) -> set[str]:
    return {motif.name for motif in find_motifs(board, line)}


def test_philidors_legacy() -> None:
    """The smothered mate of Philidor's Legacy (Lucena, 1497): queen given on g8, knight mates on f7."""
    board = chess.Board("r5rk/6pp/7N/3Q4/8/8/8/7K w - - 0 1")
    board.set_piece_at(chess.G8, None)
    board.set_piece_at(chess.A8, chess.Piece.from_symbol("r"))
    assert "smothered mate" in names(board, "d5g8", "a8g8", "h6f7")


def test_a_recapture_opens_the_line_to_the_king() -> None:
    """1.f4 e5 2.g3 exf4 3.gxf4 Qh4#: the g-pawn has left the line from h4 to the king (Bird's Opening; from memory)."""
    board = after("f4", "e5", "g3", "exf4", "gxf4")
    assert {"mating net", "opened line to the king"} <= names(board, "d8h4")
    assert "opened line to the king" not in names(after("f3", "e5", "g4"), "d8h4")  # that line was open before


def test_scholars_mate_is_an_attack_on_f7() -> None:
    board = after("e4", "e5", "Bc4", "Nc6", "Qh5", "Nf6")
    found = names(board, "h5f7")
    assert {"weak f7", "mating net"} <= found


def test_attack_on_f2_in_mirror() -> None:
    board = after("e3", "e5", "a3", "Bc5", "a4", "Qf6", "a5")
    assert "weak f2" in names(board, "f6f2")


def test_zwischenzug_before_taking_back() -> None:
    """A bishop takes a knight; before it is taken back, a check comes first."""
    board = chess.Board("4k3/2p5/8/8/8/2n3r1/1P6/B3K3 b - - 0 1")
    board.push_uci("g3g1")  # not a capture: nothing to take back
    assert "zwischenzug" not in names(board, "e1f2", "g1a1", "b2c3")
    board = chess.Board("r5k1/8/8/3n4/8/8/8/1R2R1K1 b - - 0 1")
    board.set_piece_at(chess.C3, chess.Piece.from_symbol("N"))
    board.set_piece_at(chess.B2, chess.Piece.from_symbol("P"))
    board.set_piece_at(chess.B1, None)
    board.push_uci("d5c3")
    assert "zwischenzug" in names(board, "e1e8", "a8e8", "b2c3")


def test_a_knight_that_may_be_taken_does_not_fork() -> None:
    board = chess.Board("r3k3/3p4/8/1N1b4/8/8/8/4K3 w - - 0 1")
    board.set_piece_at(chess.B6, chess.Piece.from_symbol("q"))
    assert "fork" not in names(board, "b5c7", "b6c7")


# --- the registry ----------------------------------------------------------------------------------------------------


def test_every_name_has_a_row() -> None:
    named = [value for name, value in vars(m).items() if name.isupper() and isinstance(value, str)]
    assert len(set(named)) == len(named)
    assert set(named) | set(THEMES) == set(REGISTRY)


@pytest.mark.parametrize("kind", REGISTRY.values(), ids=list(REGISTRY))
def test_every_row_is_complete(kind: m.MotifKind) -> None:
    """Tactics and oversights are found along a line and told; what is found by comparing two lines has neither here."""
    if kind.sort in (MotifClass.TACTIC, MotifClass.OVERSIGHT) and kind.name != m.THREAT:
        assert kind.find is not None and kind.tell is not None
        assert kind.find.__doc__, "the definition"
        assert kind.tier < m.Tier.THEME
    else:
        assert kind.tier == m.Tier.THEME or kind.name == m.THREAT


@pytest.mark.parametrize("name, fen, line, ply, targets", CASES, ids=[case[0] for case in CASES])
def test_the_teller_tells_what_the_finder_finds(name: str, fen: str, line: str, ply: int, targets: list[str]) -> None:
    board = chess.Board(fen)
    if name == "removal of the guard":
        board.set_piece_at(chess.G7, chess.Piece.from_symbol("p"))
    play, tell = Play.along(board, line.split()), REGISTRY[name].tell
    (motif, *_) = [motif for motif in find_motifs(board, line.split()) if motif.name == name]
    assert tell is not None
    words = tell(play, motif)
    assert words or name == "opened line to the king"
    before = board.copy(stack=False)  # the reader wants a slip: the same position, reached by a king's step
    lead = f"after {play.sans(0, ply - 1)}, " if ply > 1 else ""
    assert said_truly(before, play, f"{lead}{play.san(ply - 1)} {words}")


def said_truly(board: chess.Board, play: Play, sentence: str) -> bool:
    """Whether the reader finds nothing false in it, some quiet move of the other side taken for the slip."""
    line = [move.uci() for move in play.moves]
    passed = board.copy(stack=False)
    passed.turn = not passed.turn
    for back in passed.pseudo_legal_moves:
        piece = passed.piece_at(back.from_square)
        home = passed.copy(stack=False)
        if passed.is_capture(back) or piece is None or piece.piece_type == chess.PAWN:
            continue
        home.set_piece_at(back.to_square, home.remove_piece_at(back.from_square))
        slip = chess.Move(back.to_square, back.from_square)
        if home.is_valid() and home.is_legal(slip):
            return false_claims(home, slip, line, sentence) == []
    return True  # the other side has no such move: nothing can be read


def explained(fen: str, slip: str, line: str) -> Explanation:
    board = chess.Board(fen)
    best, after = Line(Score(board.turn, cp=0), ()), Score(board.turn, cp=-500)
    move = chess.Move.from_uci(slip)
    return explain_slip(board, move, best=best, slip_score=after, refutation=line.split())


def test_a_motif_without_a_teller_costs_a_sentence_not_a_position(monkeypatch: pytest.MonkeyPatch) -> None:
    slip = "4k3/8/8/1N6/8/8/r7/4K3 b - - 0 1", "a2a8", "b5c7 e8d7 c7a8"
    whole = explained(*slip)
    assert {"fork", "check that wins a piece"} <= set(whole.motifs)
    bare = {name: dataclasses.replace(kind, tell=None) for name, kind in REGISTRY.items()}
    for kinds in (bare, {name: kind for name, kind in REGISTRY.items() if name not in whole.motifs}):
        monkeypatch.setattr("trapscan.explain.fails.REGISTRY", kinds)
        told = explained(*slip)
        assert (told.motifs, told.gain) == (whole.motifs, whole.gain)
        assert told.why_it_fails and "c7" in told.why_it_fails


def test_threads_may_explain_at_once() -> None:
    """Eight threads, switched as often as the interpreter can, explain more lines than are kept."""
    boards = [(chess.Board(fen), line.split()) for _, fen, line, _, _ in CASES]
    for board, _ in boards:
        board.turn = not board.turn
    faults: list[Exception] = []

    def work(start: int) -> None:
        try:
            for number in range(400):
                board, line = boards[(start + number) % len(boards)]
                for move in list(board.copy().legal_moves)[:4]:
                    Play.after(board.copy(), move, line)
        except Exception as exc:
            faults.append(exc)

    interval = sys.getswitchinterval()
    sys.setswitchinterval(1e-6)
    try:
        threads = [threading.Thread(target=work, args=(number * 3,)) for number in range(8)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    finally:
        sys.setswitchinterval(interval)
    assert faults == []


def test_a_broken_line_is_read_as_far_as_it_is_legal() -> None:
    board = chess.Board("6rk/6pp/7N/8/8/8/8/4K3 w - - 0 1")
    assert names(board, "h6f7", "a1a1") == names(board, "h6f7")
    assert find_motifs(board, []) == []
