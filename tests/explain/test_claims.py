"""Every piece and square that a sentence names is where it says; and the checker itself catches what is false."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator
from typing import TYPE_CHECKING

import chess
import pytest

from tests.independent.sentences import false_claims
from trapscan.explain import Explanation, explain_slip
from trapscan.explain.exchange import as_mover
from trapscan.explain.play import Play
from trapscan.explain.themes import THEMES
from trapscan.explain.tried import Reply, Tried, to_try
from trapscan.model import Line
from trapscan.score import Score

if TYPE_CHECKING:
    from tests.explain.conftest import Trap


def explain(
    board: chess.Board,
    slip: chess.Move,
    line: tuple[str, ...],
    cp_before: int = 0,
    cp_after: int = -300,
    best: tuple[str, ...] = (),
    tried: Tried | None = None,
) -> Explanation:
    side = board.turn
    return explain_slip(
        board,
        slip,
        best=Line(Score(side, cp=cp_before), best),
        slip_score=Score(side, cp=cp_after),
        refutation=line,
        tried=tried,
    )


def lively_tries(board: chess.Board, slip: chess.Move, line: tuple[str, ...], rng: random.Random) -> Tried:
    """Random answers at the plies where answers are tried, each with a random line, and a random line for a move
    passed: whatever an engine might say, the sentence must be true."""
    play = Play.after(board, slip, line)
    side, replies = board.turn, []
    for plies, move in to_try(play, 3, {move.uci(): 0.2 for move in play.boards[1].legal_moves}):
        after = play.boards[plies].copy(stack=False)
        after.push_uci(move)
        score = Score(side, cp=rng.choice([-500, -320, -100]))
        replies.append(Reply(plies, move, lively_line(after, 6, rng), score, rng.random()))
    threat: Line | None = None
    likely: tuple[str, ...] = ()
    if not play.boards[1].is_check():
        passed = as_mover(play.boards[1], play.side)
        threat = (
            Line(Score(play.side, cp=rng.choice([0, 900])), lively_line(passed, 4, rng)) if passed.is_valid() else None
        )
    if rng.random() < 0.5:
        likely = (line[0], *lively_line(play.boards[1], 4, rng))
    return Tried(tuple(replies), threat, likely)


def lively_line(board: chess.Board, plies: int, rng: random.Random) -> tuple[str, ...]:
    """A random line from `board` that likes captures and checks (UCI)."""
    after, line = board.copy(stack=False), []
    for _ in range(plies):
        moves = list(after.legal_moves)
        if not moves:
            break
        lively = [move for move in moves if after.is_capture(move) or after.gives_check(move)] or moves
        move = rng.choice(lively if rng.random() < 0.7 else moves)
        line.append(move.uci())
        after.push(move)
    return tuple(line)


def generated(count: int, seed: int) -> Iterator[tuple[chess.Board, chess.Move, tuple[str, ...], tuple[str, ...]]]:
    """Positions of random games with a random slip and a random, capture-loving line after it."""
    rng = random.Random(seed)
    while count:
        board = chess.Board()
        for _ in range(rng.randrange(4, 50)):
            moves = list(board.legal_moves)
            if not moves:
                break
            board.push(rng.choice(moves))
        if board.is_game_over():
            continue
        slip = rng.choice(list(board.legal_moves))
        after = board.copy()
        after.push(slip)
        line = lively_line(after, rng.randrange(1, 12), rng)
        if line:
            count -= 1
            yield board, slip, line, lively_line(board, rng.randrange(1, 10), rng)


@pytest.mark.lengthy
def test_sentences_on_generated_positions_are_true() -> None:
    """Lines of all kinds, and scores that fall by little: then the themes are told, against a random best line."""
    told, themes_told, rng = 0, set(), random.Random(11)
    for number, (board, slip, line, best) in enumerate(generated(600, seed=7)):
        tried = lively_tries(board, slip, line, rng) if number % 3 else None
        explanation = explain(board, slip, line, cp_after=-300 if number % 2 else -90, best=best, tried=tried)
        themes_told |= set(explanation.motifs) & set(THEMES)
        for sentence in (explanation.why_tempting, explanation.why_it_fails):
            told += 1
            assert sentence
            assert false_claims(board, slip, line, sentence, best) == [], (board.fen(), slip, line, best, sentence)
    assert told == 1200
    assert len(themes_told) >= 10, themes_told


def test_sentences_on_real_slips_are_true(
    real_slips: list[tuple[chess.Board, chess.Move, tuple[str, ...]]],
) -> None:
    rng = random.Random(5)
    for board, slip, line in real_slips:
        best = lively_line(board, 8, rng)
        explanation = explain(board, slip, line, best=best)
        for sentence in (explanation.why_tempting, explanation.why_it_fails):
            assert sentence
            assert false_claims(board, slip, line, sentence, best) == [], (board.fen(), slip, line, best, sentence)
    assert len(real_slips) > 500


def test_a_moved_square_or_another_piece_is_caught(traps: list[Trap]) -> None:
    """Each sentence with one square or one piece changed: a checker that let that pass would be worthless."""
    rng = random.Random(3)
    altered = caught = 0
    for trap in traps:
        told = trap.explain()
        for sentence in (told.why_tempting, told.why_it_fails):
            for found in re.finditer(r"\b(king|queen|rook|bishop|knight|pawn) on ([a-h][1-8])", sentence):
                other = rng.choice([name for name in chess.SQUARE_NAMES if name != found[2]])
                kind = rng.choice([k for k in ("queen", "rook", "bishop", "knight") if k != found[1]])
                for start, end, new in ((found.start(2), found.end(2), other), (found.start(1), found.end(1), kind)):
                    altered += 1
                    false = f"{sentence[:start]}{new}{sentence[end:]}"
                    caught += bool(false_claims(trap.board, trap.slip, trap.line, false, trap.best))
    assert altered > 100
    assert caught / altered > 0.95, f"{caught} of {altered}"


@pytest.mark.parametrize(
    "sentence",
    [
        "Qb4+ checks and hits the pawn on e5.",
        "Qa5+ checks and hits the pawn on e4.",
        "Qa5+ checks and hits the knight on d4, winning a pawn.",
        "Bb4+ pins the knight on b1 against the king on e1.",
        "Qa5+ is mate.",
        "Qa5+ uncovers a check from the bishop on f8.",
        "Qa5+ traps the bishop on f1.",
        "After Qa5+ Nc3, Qxe4+ wins a pawn.",
        "e5 leaves the knight on d4 hanging, and Qa5+ takes it.",
        "Qa5+ threatens Qxd4; e5 weakens d4.",
        "Qa5+ wins a pawn, since Nc3 allows Qxe5 mate.",
        "The pawn on e6 was free: Nxe6; now Qa5+ guards e6.",
        "It takes the pawn on e5.",
        "It attacks the bishop on f8.",
        "It takes back on e5.",
        "It develops the knight to e5.",
        "It stops the mate on f2.",
    ],
)
def test_false_sentences_are_told_apart(sentence: str) -> None:
    """1.e4 c5 2.Nf3 e6 3.d4 cxd4 4.Nxd4 Nf6 5.e5 Qa5+ (common practice, no source)."""
    board = chess.Board()
    for san in ("e4", "c5", "Nf3", "e6", "d4", "cxd4", "Nxd4", "Nf6"):
        board.push_san(san)
    line = ("d8a5", "b1c3", "a5e5")
    assert false_claims(board, chess.Move.from_uci("e4e5"), line, sentence)
    told = explain(board, chess.Move.from_uci("e4e5"), line)
    assert false_claims(board, chess.Move.from_uci("e4e5"), line, told.why_it_fails) == []
    assert told.why_it_fails == "Qa5+ checks and hits the pawn on e5, winning it."
    assert told.motifs[0] == "check that wins a pawn"
    assert (told.gain, told.material, told.ply, told.line) == ("pawn", 1.0, 3, 3)
