"""What matters most is examined first, and what is found does not depend on it; a scan ends in the time that it is
given, and goes on later."""

from __future__ import annotations

import itertools
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import chess
import pytest

from trapscan.contract import encode_scan
from trapscan.engines import Engine, EngineSpec, Probe, Store
from trapscan.job import Progress, Result, scan
from trapscan.job.clock import EXAMINING, Clock
from trapscan.job.counts import Counts
from trapscan.job.glances import Glance
from trapscan.job.pipeline import Plan
from trapscan.job.positions import POSITIONS, Outcome, Task
from trapscan.job.run import Done, Job
from trapscan.job.stakes import Outlook, left_open, likely_onward
from trapscan.job.tools import Tools
from trapscan.job.walk import Walk
from trapscan.job.workers import Processes
from trapscan.model import Evaluation, Examined, Line, Position, Query
from trapscan.request import ScanRequest
from trapscan.score import Score
from trapscan.settings import load

ENGINE = f"{sys.executable} {Path(__file__).parent.parent / 'engines' / 'material_uci.py'}"
FACTS = Probe(name="Material 1.0", nps=1_000_000, multipv=True, searchmoves=True)
TINY: dict[str, Any] = {
    "budgets": [{"chance": 0.0, "least": 200, "most": 200}],
    "best_nodes": 300,
    "confirm_nodes": 200,
    "max_candidates": 3,
    "beyond": 2,
    "beyond_chance": 0.01,
    "verify_nodes": 1000,
    "levels": (1500,),
}
WHITE, BLACK = ("a3", "h3", "d3"), ("a6", "h6")


@pytest.fixture(autouse=True)
def facts(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("trapscan.engines.probe", lambda spec, **_: FACTS)


@pytest.fixture
def crossing(tmp_path: Path) -> Path:
    """Lines whose ends lead on to positions that other ends lead to as well."""
    file = tmp_path / "crossing.pgn"
    pairs = itertools.product(WHITE, BLACK)
    file.write_text("".join(f'[Event "{w} {b}"]\n\n1. {w} {b} *\n\n' for w, b in pairs))
    return file


def run(file: Path, store: Path, *, jobs: int = 1, **more: Any) -> Result:
    return scan([file], side="both", engine=ENGINE, jobs=jobs, store=store, settings=TINY, **more)


def handed_out(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The positions that workers are asked to examine, in order."""
    order: list[str] = []
    each = Processes.each

    def watch(self: Processes, task: Any, tools: Tools, items: Sequence[Any], **more: Any) -> Iterator[Any]:
        if task.args == (POSITIONS.solve,):
            order.extend(item.epd for _, item in items)
        return each(self, task, tools, items, **more)

    monkeypatch.setattr(Processes, "each", watch)
    return order


def test_one_order_whatever_the_workers(crossing: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """And what is found does not depend on it: the same bytes as where all that is known is examined at once."""
    monkeypatch.setattr("trapscan.job.walk.ROUND", 10**6)
    at_once, wide = handed_out(monkeypatch), run(crossing, tmp_path / "wide.db").scan
    whole = encode_scan(wide)
    monkeypatch.setattr("trapscan.job.walk.ROUND", 7)
    orders = []
    for jobs in (1, 2):
        with monkeypatch.context() as patch:
            order = handed_out(patch)
            assert encode_scan(run(crossing, tmp_path / f"{jobs}.db", jobs=jobs).scan) == whole
            orders.append(order)
    assert orders[0] == orders[1]
    assert set(orders[0]) == set(at_once), "all are examined"
    in_tree = {board.epd() for board in boards()}
    places = [number for number, epd in enumerate(orders[0]) if epd not in in_tree]
    assert places and places[0] < len(in_tree), "what lies past an end comes among the rest"


def test_the_first_end_decides_the_way(crossing: Path, tmp_path: Path) -> None:
    """A position that two ends lead to is the one that the first of them leads to; where the other was examined before,
    it is examined again, and what was found there is dropped."""
    plan = Plan.of(ScanRequest([crossing], side="white", settings=TINY))
    with Store(tmp_path / "store.db") as store:
        tools = Tools(EngineSpec("none", ()), FACTS, "identity", plan.settings, None)
        job = Job(store, Processes(1), Progress())
        walk = Walk(job, tools, Counts(job, tools, (), (), None), plan.author)
        walk._refresh()
        first, other = (walk.positions[epd_after(*moves)] for moves in (("a3", "h6"), ("h3", "h6")))
        after = epd_after("a3", "h6", "h3")
        for end, move in ((other, "a2a3"), (first, "h2h3")):
            walk._take(Done(Task(end), found(end, move)))
            walk._refresh()
            here = walk.positions[after]
            assert here.moves == (*end.moves, move) and here in walk._new() and here not in walk._done
            walk._take(Done(Task(here), found(here, "g7g6")))
            walk._refresh()
            assert set(walk.outcomes) == {each.epd for each in (other, first, here) if each in walk._done}
        assert len(walk._done) == 4 and len(walk.outcomes) == 3 and len(walk.known()) == 3


def epd_after(*moves: str) -> str:
    board = chess.Board()
    for move in moves:
        board.push_san(move)
    return board.epd()


def found(position: Position, move: str) -> Outcome:
    """An outcome that says no more than what the best move is."""
    best = Line(Score(position.board().turn, cp=0), (move,))
    return Outcome(Examined(position.epd, best, (), (), {}, 0, 0, 0), (), (1, 2))


def boards() -> Iterator[chess.Board]:
    yield chess.Board()
    for white in WHITE:
        board = chess.Board()
        board.push_san(white)
        yield board
        for black in BLACK:
            after = board.copy()
            after.push_san(black)
            yield after


def test_where_most_is_at_stake_comes_first(crossing: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In each round by falling stake, of all that wait."""
    monkeypatch.setattr("trapscan.job.walk.ROUND", 8)
    rounds: list[tuple[list[float], float]] = []
    examine = Walk._examine

    def watch(self: Walk, chosen: Sequence[Any], stakes: dict[str, float]) -> None:
        waiting = [p for p in self.positions.values() if p not in self._done and p not in chosen]
        rounds.append(([stakes[p.epd] for p in chosen], max((stakes[p.epd] for p in waiting), default=0.0)))
        examine(self, chosen, stakes)

    monkeypatch.setattr(Walk, "_examine", watch)
    run(crossing, tmp_path / "store.db")
    assert len(rounds) >= 3
    for values, best_of_the_rest in rounds:
        assert values == sorted(values, reverse=True) and values[-1] >= best_of_the_rest


def test_what_a_glance_tells() -> None:
    """Nothing is open where no likely move costs anything; more, the more a move costs, the likelier it is and the more
    it would be worth; less where the repertoire's owner must first forget another."""
    best = ("a2a3", 0.5, Score(chess.WHITE, cp=0), 0.0)

    def open_(*moves: tuple[float, int], worth: float = 0.0, forgotten: float = 1.0) -> float:
        others = [(f"{n}", chance, Score(chess.WHITE, cp=cp), worth) for n, (chance, cp) in enumerate(moves)]
        return left_open(Glance((best, *others), {}), forgotten)

    assert left_open(Glance((), {})) == 0.0
    sound, slip, likelier, worse = open_((0.1, -5)), open_((0.1, -120)), open_((0.3, -120)), open_((0.1, -500))
    assert 0 <= sound < slip < min(likelier, worse)
    assert open_((0.1, -5), (0.1, -120)) == slip, "the worst counts"
    assert open_((0.1, -120), worth=0.8) > slip > open_((0.1, -120), forgotten=0.03)
    own = Glance((best, ("g2g4", 0.1, Score(chess.WHITE, cp=-120), 0.0)), {"g2g4": (0.1,)})
    assert left_open(own, 0.03) == slip, "the repertoire's own move needs no forgetting"


def test_what_seems_to_lie_past_an_end_is_at_stake_there() -> None:
    """As long as the end is not examined; there our best move is followed, or the other side's likely ones."""
    settings = load("quick")
    end = Position(chess.Board().epd(), chess.STARTING_FEN, (), 1, ())
    sound = [("e2e4", 0.5, Score(chess.WHITE, cp=30), 0.0), ("d2d4", 0.3, Score(chess.WHITE, cp=25), 0.0)]
    blunder = ("g2g4", 0.2, Score(chess.WHITE, cp=-150), 0.5)
    glance = Glance((*sound, blunder), {})
    assert likely_onward(glance, settings) == {
        True: (("e2e4", 1.0),),
        False: (("e2e4", 0.5), ("d2d4", 0.3)),
    }
    outlook = Outlook(settings)
    outlook.take(Done(Task(end), Glance(tuple(sound), {})), 1.0)
    for ours, moves in ((True, ["e2e4"]), (False, ["e2e4", "d2d4"])):
        assert [child.moves[-1] for _, child in outlook.past(end, ours)] == moves

    def at_stake() -> float:
        return outlook.stakes({end.epd: end}, {end.epd: 1.0}, lambda position: True)[end.epd]

    before, ((share, child),) = at_stake(), outlook.past(end, ours=True)
    assert share == 1.0 and child not in outlook
    outlook.take(Done(Task(child), glance), 1.0)
    assert at_stake() == left_open(glance) > before
    outlook.examined(end)
    assert at_stake() == before and not outlook.past(end, ours=True)


# --- time ------------------------------------------------------------------------------------------------------------


class Hours:
    """A clock that goes on by a minute with each question to the engine."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now = 0.0
        evaluate = Engine.evaluate

        def asked(engine: Engine, query: Query) -> Evaluation:
            self.now += 60.0
            return evaluate(engine, query)

        clock = SimpleNamespace(monotonic=lambda: self.now, perf_counter=time.perf_counter, sleep=time.sleep)
        monkeypatch.setattr(Engine, "evaluate", asked)
        for module in ("workers", "pipeline"):
            monkeypatch.setattr(f"trapscan.job.{module}.time", clock)


@pytest.mark.parametrize("minutes", [40, 120])
def test_a_scan_ends_in_its_time_and_goes_on_later(
    crossing: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, minutes: int
) -> None:
    """The first positions are examined, what stands first then is looked at long; the same command without the limit
    ends with the bytes of an undisturbed run, and searches nothing twice."""
    with monkeypatch.context() as patch:
        hours = Hours(patch)
        whole = run(crossing, tmp_path / "whole.db")
        needed = hours.now / 60
    assert whole.scan.partial is None and needed > 200
    with monkeypatch.context() as patch:
        hours = Hours(patch)
        short = run(crossing, tmp_path / "store.db", minutes=minutes)
        spent = hours.now / 60
    part = short.scan.partial
    assert part is not None and 0 < part.positions < part.of and 0 < part.stake < 1
    longest = 30  # questions about one position
    assert spent <= minutes + longest and short.scan.counters.positions == part.positions
    assert not [problem for problem in short.scan.problems if "not looked at" in problem.text]
    later = run(crossing, tmp_path / "store.db")
    assert encode_scan(later.scan) == encode_scan(whole.scan)
    assert later.stats.positions.from_store >= part.positions


def test_time_that_is_enough_changes_nothing(crossing: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with monkeypatch.context() as patch:
        Hours(patch)
        timed = run(crossing, tmp_path / "one.db", minutes=100_000)
    assert timed.scan.partial is None
    assert encode_scan(timed.scan) == encode_scan(run(crossing, tmp_path / "two.db").scan)


def test_how_the_time_is_shared_out() -> None:
    clock = Clock(100.0, 600.0)
    assert clock.ends is not None and clock.examining is not None
    assert 100 + 600 * 0.9 < clock.ends < 700
    assert clock.examining == 100 + EXAMINING * 600
    assert clock.examining_on(50.0) == clock.ends - 50
    assert Clock(100.0).ends is Clock(100.0).examining is Clock(100.0).examining_on(5.0) is None


def test_a_report_can_be_asked_for_after_every_position(
    crossing: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each says how much is done, and making them changes nothing."""
    parts = []

    class Ask(Progress):
        def present(self, report: Callable[[], Any]) -> None:
            parts.append(report().partial)

    asked = run(crossing, tmp_path / "asked.db", progress=Ask())
    known = [(part.positions, part.of) for part in parts]
    assert len(known) > 20 and all(0 < done <= of for done, of in known)
    assert [done for done, _ in known] == sorted(done for done, _ in known)
    assert not parts[0].verified and asked.scan.partial is None
    assert encode_scan(asked.scan) == encode_scan(run(crossing, tmp_path / "plain.db").scan)
