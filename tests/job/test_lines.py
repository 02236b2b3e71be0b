"""Lines tried about a slip: which answers are put to the engine, and what is then claimed."""

from __future__ import annotations

from dataclasses import dataclass, field

import chess

from trapscan.explain import explain_slip
from trapscan.job.lines import try_lines
from trapscan.model import Chances, Evaluation, Line, Query
from trapscan.score import Score


@dataclass
class Table:
    """An evaluator that answers from a table by EPD: a score of the side to move and moves; a quiet nothing else."""

    answers: dict[str, tuple[int, str]]
    multipv: bool = True
    steady: bool = True
    asked: list[Query] = field(default_factory=list)

    def evaluate(self, query: Query) -> Evaluation:
        self.asked.append(query)
        board = chess.Board(f"{query.epd} 0 1")
        cp, moves = self.answers.get(query.epd, (0, next(iter(board.legal_moves)).uci()))
        score = Score(board.turn, mate=1) if cp == 9999 else Score(board.turn, cp=cp)
        return Evaluation((Line(score, tuple(moves.split())),), 100)


class Even:
    """Chances: the moves named have most of it."""

    name = "even"

    def __init__(self, *likely: str) -> None:
        self.likely = likely

    def predict(self, boards: list[chess.Board], levels: tuple[int, ...]) -> list[Chances]:
        found: list[Chances] = []
        for board in boards:
            moves = [move.uci() for move in board.legal_moves]
            named = [move for move in self.likely if move in moves]
            share = 0.9 / max(1, len(named))
            rest = (1 - share * len(named)) / max(1, len(moves) - len(named))
            found.append({move: tuple(share if move in named else rest for _ in levels) for move in moves})
        return found

    def join(self, chances: Chances, losses: object, levels: tuple[int, ...]) -> Chances:
        return chances


def after(board: chess.Board, *sans: str) -> chess.Board:
    there = board.copy()
    for san in sans:
        there.push_san(san)
    return there


QUEEN = chess.Board("r1bk2nr/pppp1Qpp/1b6/nP2q3/2B1P3/8/PBPP1PPP/RN2K2R b KQ - 2 9")
"""9...Nxc4 10.Bxe5, and 10...Nxe5 allows mate on f8 (the position of a real scan)."""
LINE = ("b2e5", "g8e7", "f7c4")


def test_recaptures_likely_answers_and_a_move_passed_are_tried() -> None:
    taken = after(QUEEN, "Nxc4", "Bxe5")
    mated = after(taken, "Nxe5")
    table = Table({mated.epd(): (9999, "f7f8")})
    tried = try_lines(QUEEN, QUEEN.parse_san("Nxc4"), LINE, 1, table, Even("c4e5"), 1500, nodes=100)
    assert [reply.move for reply in tried.replies] == ["c4e5"]
    assert tried.replies[0].score.mate_lost and tried.replies[0].chance > 0.5
    assert tried.likely == ("b2e5", "c4e5", "f7f8")
    assert tried.threat is not None
    passed = taken.copy(stack=False)
    passed.turn = chess.WHITE
    assert passed.epd() in {query.epd for query in table.asked}
    assert all(query.budget == 100 for query in table.asked)


def told(table: Table, chances: Even, *, board: chess.Board = QUEEN, slip: str = "Nxc4") -> str:
    move, best = board.parse_san(slip), Line(Score(board.turn, cp=0), ("e5e4",))
    tried = try_lines(board, move, LINE, 1, table, chances, 1500, nodes=100)
    score = Score(board.turn, cp=-600)
    return explain_slip(board, move, best=best, slip_score=score, refutation=LINE, tried=tried).why_it_fails


def test_the_sentence_says_why_taking_back_fails() -> None:
    mated = after(QUEEN, "Nxc4", "Bxe5", "Nxe5")
    text = told(Table({mated.epd(): (9999, "f7f8")}), Even("c4e5"))
    assert text.startswith("Bxe5 wins the queen") and text.endswith(", since Nxe5 allows Qf8 mate.")


def test_what_one_answer_saves_is_not_claimed() -> None:
    """1.e4 e5 2.Nf3 a6 3.Nxe5: where a pawn falls in a line, none is won if another answer, as good for the victim,
    gets it back."""
    board = after(chess.Board(), "e4", "e5", "Nf3")
    slip, line = board.parse_san("a6"), ("f3e5", "d7d6", "e5f3", "g8f6", "d2d3")
    best, score = Line(Score(chess.BLACK, cp=-30), ("b8c6", "f1b5")), Score(chess.BLACK, cp=-160)
    alone = explain_slip(board, slip, best=best, slip_score=score, refutation=line)
    safe = after(board, "a6", "Nxe5", "Qe7")
    for cp, gain in ((160, "attack"), (400, alone.gain)):  # as good as the best defence, or much worse
        table = Table({safe.epd(): (cp, "e5f3 e7e4 f1e2")})
        tried = try_lines(board, slip, line, alone.ply, table, Even("d8e7"), 1500, nodes=100)
        assert explain_slip(board, slip, best=best, slip_score=score, refutation=line, tried=tried).gain == gain
    assert alone.gain == "pawn"


def test_a_finished_game_asks_nothing() -> None:
    board = after(chess.Board(), "f3", "e5")
    table = Table({})
    tried = try_lines(board, board.parse_san("g4"), ("d8h4",), 1, table, Even(), 1500, nodes=100)
    assert not tried.replies and tried.threat is None and not table.asked
