"""The nature of well-known slips (common practice, no source). The scores are round; none is near a limit."""

from __future__ import annotations

from dataclasses import dataclass

import chess
import pytest

from trapscan import explain, openings, rank
from trapscan.contract import Nature
from trapscan.model import Line, Signs
from trapscan.score import Score


@dataclass(frozen=True)
class Known:
    """A slip: the moves before it, the slip, the punishing line, the victim's best line, and the victim's scores."""

    line: str
    slip: str
    refutation: str
    best: str
    before: int | str
    after: int | str
    nature: Nature


KNOWN = {
    "Legal's mate": Known(
        "e4 e5 Nf3 Nc6 Bc4 d6 Nc3 Bg4 h3 Bh5 Nxe5", "Bxd1", "Bxf7+ Ke7 Nd5#", "Nxe5 Qxh5", -180, "#-2", Nature.TACTIC
    ),
    "the Elephant trap": Known(
        "d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5 Bg5 Nbd7", "Nxd5", "Nxd5 Bxd8 Bb4+ Qd2 Bxd2+ Kxd2 Kxd8", "e3 c6", 25, -360,
        Nature.TACTIC,
    ),
    "the fried liver": Known(
        "e4 e5 Nf3 Nc6 Bc4 Nf6 Ng5 d5 exd5", "Nxd5", "Nxf7 Kxf7 Qf3+ Ke6 Nc3", "Na5 Bb5+", -20, -170, Nature.TACTIC
    ),
    "a pin that wins": Known(
        "e4 c6 d4 d5 Nc3 dxe4 Nxe4 Nd7 Qe2", "Ngf6", "Nd6#", "e6 Nf3", -40, "#-1", Nature.TACTIC
    ),
    "a knight put where it is taken": Known(
        "e4 e5 Nf3 Nc6 Bc4 d6", "Ng5", "Qxg5 O-O Qg6 d3 Nf6", "O-O Nf6", 40, -450, Nature.OVERSIGHT
    ),
    "a pawn left to be taken": Known(
        "e4 e5 Nf3 Nc6 Bc4 Nf6 d4", "h6", "Nxe5 d5 exd5 Nxd5 Bb5 Bd7 Bxc6 bxc6 O-O", "exd4 e5 d5 Bb5 Ne4 Nxd4", 5, -190,
        Nature.OVERSIGHT,
    ),
    "the King's Gambit": Known("e4 e5", "f4", "exf4 Nf3 g5 h4 g4", "Nf3 Nc6", 35, -60, Nature.GAMBIT),
    "the Englund Gambit": Known("d4", "e5", "dxe5 Nc6 Nf3", "d5 c4", -30, -130, Nature.GAMBIT),
    "the fool's mate, not given": Known(
        "f3 e5 g4", "Nc6", "d3 Qh4+ Kd2", "Qh4#", "#1", 220, Nature.FORGONE
    ),
    "a pawn, not taken": Known(
        "e4 c6 d4 d5 Nf3", "Bg4", "Nc3 e6 Bd3", "dxe4 Ng5", 75, -30, Nature.FORGONE
    ),
    "a piece, not taken back": Known(
        "e4 e5 Nf3 Nc6 Bc4 d6 Nc3 Bg4 h3 Bh5 Nxe5 Nxe5 Qxh5 Nxc4", "Nd5", "c6 Nc3 Nf6", "Qb5+ c6 Qxc4 d5 exd5", 196,
        -329, Nature.FORGONE,
    ),
    "an even trade": Known(
        "e4 e5 Nf3 Nc6 d4 exd4 Bc4 Nf6 e5 d5", "exf6", "dxc4 c3 Qxf6 Nxd4", "Bb5 Ne4 Nxd4 Bd7", 22, -228,
        Nature.POSITIONAL,
    ),
    "a gambit with a name that a fork refutes": Known(
        "e4 e5 Nf3 f5 Bc4 fxe4 Nxe5", "Nf6", "Nf7 Qe7 Nxh8 d5 Be2 Be6", "Qg5 d4 Qxg2 Qh5+", -75, -244, Nature.TACTIC
    ),
    "an early queen": Known("e4 c6", "Qh5", "Nf6 Qe2 d5", "d4 d5", 45, -65, Nature.POSITIONAL),
    "a hole": Known("e4 c6 d4 d5 Nc3 dxe4 Nxe4", "f5", "Ng5 Nf6 N1f3", "Bf5 Ng3", -30, -150, Nature.POSITIONAL),
}  # fmt: skip


def score(side: chess.Color, given: int | str) -> Score:
    return Score(side, cp=given) if isinstance(given, int) else Score(side, mate=int(given[1:]))


def moves(board: chess.Board, sans: str) -> tuple[str, ...]:
    board = board.copy()
    return tuple(board.push_san(san).uci() for san in sans.split())


def judged(known: Known) -> tuple[Nature, Signs]:
    board = chess.Board()
    for san in known.line.split():
        board.push_san(san)
    slip = board.parse_san(known.slip)
    after = board.copy()
    after.push(slip)
    best = Line(score(board.turn, known.before), moves(board, known.best))
    lost = score(board.turn, known.after)
    told = explain.explain_slip(board, slip, best=best, slip_score=lost, refutation=moves(after, known.refutation))
    nature = rank.nature_of(
        told.signs,
        best=best.score,
        slip=lost,
        tactical=explain.tactical(told.motifs),
        named=openings.name_of(after.epd()) is not None,
        won=told.gain != "attack",
        forgone=told.forgone,
    )
    return nature, told.signs


@pytest.mark.parametrize("name", KNOWN)
def test_nature(name: str) -> None:
    nature, signs = judged(KNOWN[name])
    assert nature is KNOWN[name].nature, signs


def test_signs_are_counted_by_hand() -> None:
    """The knight on g5: three pawns at once, which it could not take before; the elephant: a piece in the end, nothing
    at once, and nine pawns of sacrifice between."""
    _, knight = judged(KNOWN["a knight put where it is taken"])
    assert (knight.taken, knight.first, knight.at_once, knight.was_there) == (3, 3, 3, 0)
    assert knight.capture and not knight.check and knight.slip_takes == -3
    _, elephant = judged(KNOWN["the Elephant trap"])  # a knight for a pawn; on the way the queen is put in for a knight
    assert (elephant.taken, elephant.given) == (3 - 1, 9 - 3 - 2)
    assert elephant.first < 0 == elephant.could
    _, fool = judged(KNOWN["the fool's mate, not given"])
    assert fool.could_mate and fool.taken < 2
    _, pawn = judged(KNOWN["a pawn, not taken"])
    assert pawn.could == 1


def test_what_is_worth_more() -> None:
    """A coach would sooner set a mate that half of them walk into than a pawn that is left once in a hundred games or
    an early queen; and what many play sooner than what few do."""

    def worth(name: str, chance: float) -> float:
        nature, signs = judged(KNOWN[name])
        tactic = nature is Nature.TACTIC
        sides = [score(chess.WHITE, given) for given in (KNOWN[name].before, KNOWN[name].after)]
        return rank.worth(rank.Case(nature, signs, sides[0], sides[1], chance, 0.5, tactic, tactic))

    legal, pawn = worth("Legal's mate", 0.5), worth("a pawn left to be taken", 0.01)
    queen = worth("an early queen", 0.004)
    assert 1 > legal > 0.8 > 0.2 > max(pawn, queen) > 0
    chances = [worth("the fried liver", chance) for chance in (0.01, 0.05, 0.3)]
    assert chances == sorted(chances)


def test_forgetting_grows_along_a_line_and_ends_with_it() -> None:
    known = [rank.forgets(own, prepared=True, last=False) for own in range(20)]
    assert known == sorted(known) and known[0] <= 0.02 and known[-1] <= 0.5
    assert all(rank.forgets(own, prepared=True, last=True) >= known[own] for own in range(20))
    assert rank.forgets(3, prepared=False, last=True) == 1.0


def test_ideas() -> None:
    """One slip and reply, or one reply with one motif for one gain, are one idea; each step is needed."""
    base = rank.Idea("black", "d7d5", "e4d5", "pawn", "oversight", "loose pawn")
    same = [
        base,
        rank.Idea("black", "d7d5", "e4d5", "pawn", "oversight", "put en prise"),
        rank.Idea("black", "d7d5", "e4d5", "piece", "oversight", "loose pawn"),
    ]
    like = rank.Idea("black", "c8g4", "e4d5", "pawn", "oversight", "loose pawn")
    others = [
        rank.Idea("white", "d7d5", "e4d5", "pawn", "oversight", "loose pawn"),
        rank.Idea("black", "d7d5", "e4d5", "pawn", "gambit"),
        rank.Idea("black", "d7d5", "c4d5", "pawn", "oversight", "loose pawn"),
        rank.Idea("black", "f8b4", "e4d5", "piece", "oversight", "discovered attack"),
        rank.Idea("black", "f8e7", "e4d5", "pawn", "oversight", "fork"),
    ]
    ids = rank.group([*same, like, *others])
    assert len(set(ids[:4])) == 1
    assert len({ids[0], *ids[4:]}) == 1 + len(others)
    assert rank.group([*reversed(others), like, *reversed(same)])[::-1][:4] == ids[:4], "whatever the order"
