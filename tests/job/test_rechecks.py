"""What is said first is looked at long, and told with other answers tried."""

from __future__ import annotations

from pathlib import Path

import chess
import msgspec
import pytest

from tests.job.small_scans import LINES, SMALL
from tests.report.sample_scans import trap_scan
from trapscan.chance import load_model
from trapscan.contract import Nature, Prepared, SlipFinding, SlipKind, encode_scan
from trapscan.engines import EngineSpec, Probe
from trapscan.job import scan
from trapscan.job.missed import KEEPS, missed, replies
from trapscan.job.recheck import Recheck, long_look, look
from trapscan.job.rechecks import TOLD, epd_of, lets_off, said_first, seen_first
from trapscan.job.tools import tools_of
from trapscan.levels import Lens
from trapscan.model import Evaluation, Line, Position, Query, Slip
from trapscan.order import FIRST, by_idea
from trapscan.score import Score, loss
from trapscan.settings import Settings
from trapscan.stopping import Iteration

Stockfish = tuple[EngineSpec, Probe]
LONG = 40_000


def test_who_is_looked_at() -> None:
    """The first ideas of tricks and pitfalls, one finding each; every move of the repertoire that is accused; every
    answer that is said to let a slip off; and nothing that is closed at first."""
    scan_, lens = trap_scan(), Lens((1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400), 1400)
    slips = [
        msgspec.structs.replace(
            f, idea=f.id, nature=Nature.TACTIC, prepared=None, worth=tuple(min(1.0, 0.4 + share) for share in f.worth)
        )
        for f in scan_.slips
    ]
    far = min((f for f in slips if f.kind is SlipKind.TRICK), key=lambda f: f.worth[2])
    wrong = msgspec.structs.replace(
        far, worth=tuple(0.0 for _ in far.worth), prepared=Prepared(answers=("h3",), right=False)
    )
    aside = [msgspec.structs.replace(f, nature=Nature.POSITIONAL) for f in slips if f.kind is SlipKind.PITFALL][:3]
    named = {f.id: f for f in (*slips, wrong, *aside)}
    first = {f.id for f in said_first(list(named.values()), lens)}
    assert lets_off(wrong) and wrong.id in first
    assert {f.id for f in slips if f.kind is SlipKind.UNSOUND} <= first
    assert not {f.id for f in aside} & first
    tricks = [f for f in named.values() if f.kind is SlipKind.TRICK]
    assert len([f for f in tricks if f.id in first]) == min(FIRST, len(tricks)) + (len(tricks) > FIRST)
    assert {f.id for f in aside} <= {f.id for f in seen_first(list(named.values()), lens)}


def test_what_may_stand_at_the_head_is_told_however_far_down_it_stands() -> None:
    lens = Lens((1000, 1200, 1400, 1600, 1800, 2000, 2200, 2400), 1400)
    trick = next(f for f in trap_scan().slips if f.kind is SlipKind.TRICK)

    def made(name: str, worth: float, met: float) -> SlipFinding:
        return msgspec.structs.replace(
            trick,
            id=name,
            idea=name,
            fen=f"{trick.fen} {name}",  # each in a position of its own, so that none stands lower for another
            nature=Nature.TACTIC,
            refutation=None,
            worth=(worth,) * 8,
            chance=(0.1,) * 8,
            met=(met,) * 8,
        )

    filler = [made(f"filler{number}", 0.6, 0.1) for number in range(TOLD)]
    found = [*filler, made("head", 0.8, 0.001)]
    assert [idea.lead.id for idea in by_idea(found, lens)].index("head") == TOLD
    assert {f.id for f in seen_first(found, lens)} == {f.id for f in found}


def test_a_long_look_is_never_shorter_than_the_scan() -> None:
    for settings in (Settings(), Settings(verify_nodes=0), Settings(best_nodes=5_000_000)):
        longer = long_look(settings, settings.verify_nodes)
        assert longer.best_nodes >= max(settings.best_nodes, settings.verify_nodes)
        assert longer.budgets[0].most >= settings.verify_nodes and longer.refutation_nodes >= settings.refutation_nodes


class Table:
    """An evaluator that knows a few positions; the others are even."""

    multipv = True

    def __init__(self, scores: dict[str, int], *, steady: bool = True) -> None:
        self.scores, self.steady = scores, steady
        self.asked: list[Query] = []

    def evaluate(self, query: Query) -> Evaluation:
        self.asked.append(query)
        side = query.epd.split()[1] == "w"
        board = chess.Board(f"{query.epd} 0 1")
        move = next(iter(board.legal_moves)).uci()
        score = Score(side, cp=self.scores.get(query.epd, 0))
        return Evaluation((Line(score, (move,)),), query.budget, trail=(Iteration(query.budget, score, move),))

    def digests(self) -> tuple[int, ...]:
        return ()


@pytest.mark.parametrize("steady", [True, False])
def test_a_slip_that_does_not_stand_up_is_none_and_the_answer_is_measured(
    stockfish: Stockfish, tmp_path: Path, steady: bool
) -> None:
    """1.f3 is even in the table, 1.g4 loses 300 centipawns; 1...d5 after it keeps 40 of them."""
    tools = tools_of(stockfish[0].command[0], Settings(verify_nodes=LONG), tmp_path / "store.db")
    start = Position(chess.Board().epd(), chess.STARTING_FEN, (), 1, prepared=("g2g4",))
    after, answered = chess.Board(), chess.Board()
    after.push_uci("g2g4")
    answered.push_uci("g2g4")
    answered.push_uci("d7d5")
    table = Table({after.epd(): 300, answered.epd(): -40}, steady=steady)
    for reply in list(after.legal_moves):  # borne out, whatever the reply
        after.push(reply)
        table.scores.setdefault(after.epd(), -300)
        after.pop()
    looked = look(tools, Recheck(start, (("f2f3", ""), ("g2g4", "d7d5"))), table)  # type: ignore[arg-type]
    harmless, lost = looked.verdicts
    assert harmless.slip is None and harmless.explanation is None and harmless.answer is None
    assert lost.slip is not None and lost.explanation is not None and lost.answer == Score(chess.WHITE, cp=-40)
    assert loss(looked.best.score, lost.answer) < KEEPS * loss(looked.best.score, lost.slip.score), "it lets it off"
    assert max(query.budget for query in table.asked) >= LONG


def test_a_noisy_engines_long_look_is_one_and_is_confirmed(stockfish: Stockfish, tmp_path: Path) -> None:
    """1.g4 loses 300 in the table, but nothing once it is answered: such a verdict is denied, however noisy the engine,
    and its position is searched once."""
    tools = tools_of(stockfish[0].command[0], Settings(verify_nodes=LONG), tmp_path / "store.db")
    after = chess.Board()
    after.push_uci("g2g4")
    table = Table({after.epd(): 300}, steady=False)
    looked = look(tools, Recheck(Position(chess.Board().epd(), chess.STARTING_FEN, (), 1), (("g2g4", ""),)), table)  # type: ignore[arg-type]
    assert looked.verdicts[0].slip is None
    assert [query.epd for query in table.asked].count(chess.Board().epd()) == 1


def test_who_lets_a_slip_off_is_searched_and_has_the_chance_that_find_leaves() -> None:
    """After 1.g4 of the two likeliest replies that are not named as punishing one punishes too in the table, and the
    other lets it off: that one is told, with what is left of its chance as those who punish are taken out."""
    board, levels, model = chess.Board(), (1000, 1800), load_model()
    after = chess.Board()
    after.push_uci("g2g4")
    (plain,) = model.predict([after], levels)
    best = Line(Score(chess.WHITE, cp=30), ("e2e4",))
    slip = Slip("g2g4", Score(chess.WHITE, cp=-300), ("h7h5",), ("h7h6",), exposed=2_000, nodes=20_000)
    chances = replies(best, slip, plain, model, levels)
    order = sorted((move for move in chances if move not in ("h7h5", "h7h6")), key=lambda move: -sum(chances[move]))
    table = Table({})
    for reply, left in zip(order, (-300, 10), strict=False):
        child = after.copy(stack=False)
        child.push_uci(reply)
        table.scores[child.epd()] = left
    (told,) = missed(board, best, slip, table, model, Settings(levels=levels))
    assert told.reply == order[1] and told.chance == chances[order[1]] and len(table.asked) == 2
    for i in range(len(levels)):
        assert chances["h7h5"][i] > plain["h7h5"][i] and told.chance[i] < plain[order[1]][i]
        assert sum(shares[i] for shares in chances.values()) == pytest.approx(1, abs=1e-5)


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("court") / "lines.pgn"
    path.write_text(LINES)
    return path


def test_what_is_said_first_has_been_looked_at(stockfish: Stockfish, file: Path, tmp_path: Path) -> None:
    settings, engine = SMALL | {"verify_nodes": LONG}, stockfish[0].command[0]
    first = scan([file], engine=engine, jobs=1, store=tmp_path / "store.db", settings=settings)
    report = first.scan
    lens = Lens(report.levels, report.level)
    for finding in said_first(report.slips, lens):
        assert finding.verified.nodes > 3000 or "mate" in str(finding.cp_slip), "more than the scan itself gives a move"
    assert any(finding.likely_line for finding in report.slips)
    for finding in report.slips:
        after = chess.Board(finding.fen)
        after.push_uci(finding.slip.uci)
        for reply in finding.let_off:
            assert reply.san not in (*finding.punishment[:1], *finding.also)
            line = after.copy()
            for san in (reply.san, *reply.line):
                line.push_san(san)
            for find, chance in zip(finding.find, reply.chance, strict=True):
                assert 0 < chance <= 1 - find + 0.0002
    assert any(finding.let_off for finding in report.slips)
    for finding in report.slips:
        board = chess.Board(finding.fen)
        board.push_uci(finding.slip.uci)
        for san in finding.likely_line:
            board.push_san(san)
    assert report.counters.engine_nodes > 5 * LONG
    again = scan([file], engine=engine, jobs=1, store=tmp_path / "store.db", settings=settings)
    assert encode_scan(again.scan) == encode_scan(report) and again.stats.searched == 0
    two = scan([file], engine=engine, jobs=2, store=tmp_path / "two.db", settings=settings)
    assert encode_scan(two.scan) == encode_scan(report)
    assert epd_of(report.slips[0]) == chess.Board(report.slips[0].fen).epd()
