"""Every fault an engine can have, played by a scripted one: the documented outcome, in bounded time, nothing left."""

from __future__ import annotations

import contextlib
import sys
import time
import uuid
from collections.abc import Iterator
from pathlib import Path

import chess
import msgspec
import pytest

from tests.engines.processes import children, needs_proc, running_with, wait_until_gone
from trapscan.engines import Engine, EngineSpec, Probe, Store
from trapscan.engines.measure import measure
from trapscan.engines.process import EngineProcess
from trapscan.engines.uci import parse_info, step_of_line
from trapscan.errors import EngineAnswerError, EngineCrashedError, EngineError, EngineRefusedError, EngineTimeoutError
from trapscan.model import Query
from trapscan.score import Score

START = "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq -"
FAKE = Path(__file__).with_name("fake_uci.py")
FACTS = Probe(name="Fake 1.0", nps=1_000_000, multipv=True, searchmoves=True, reproducible=True)
PATIENCE = 0.4
MATED_QUERY = Query("7k/5KQ1/8/8/8/8/8/8 b - -", 1000)


class Fakes:
    """Makes engines of a scenario whose processes can be told from all others."""

    def __init__(self, folder: Path) -> None:
        self.mark = f"mark-{uuid.uuid4().hex}"
        self.folder = folder
        self.engines: list[Engine] = []

    def __call__(self, scenario: str, **more: object) -> Engine:
        mark = str(self.folder / self.mark)
        spec = EngineSpec("fake", (sys.executable, "-I", "-S", str(FAKE), scenario, mark))
        settings: dict[str, object] = {"patience": PATIENCE, "start_seconds": 5.0} | more
        engine = Engine(spec, FACTS, **settings)  # type: ignore[arg-type]
        self.engines.append(engine)
        return engine


@pytest.fixture
def fake(tmp_path: Path) -> Iterator[Fakes]:
    fakes = Fakes(tmp_path)
    yield fakes
    for engine in fakes.engines:
        engine.close()
    assert wait_until_gone(fakes.mark) == []


@pytest.fixture(autouse=True)
def no_child_is_left() -> Iterator[None]:
    before = set(children())
    yield
    assert set(children()) <= before


pytestmark = needs_proc

GOOD_ANSWERS = [
    "good",
    "flood",
    "flood-scores",
    "long-line",
    "garbage",
    "stderr",
    "slow-start",
    "prompt",
    "crlf",
    "mixed-case",
    "refuses-options",
    "bound-after-exact",
    "bound-flag-late",
    "bound-flag-early",
    "mate-zero-last",
    "deaf-to-quit",
]


@pytest.mark.parametrize("scenario", GOOD_ANSWERS)
def test_odd_but_sound_engines_give_the_right_answer(fake: Fakes, scenario: str) -> None:
    engine = fake(scenario, patience=20.0)
    answer = engine.evaluate(Query(START, 1000))
    assert answer.best.score == Score(True, cp=31)
    assert answer.best.pv == ("e2e4", "e7e5", "g1f3")
    assert answer.notes == ()
    assert engine.restarts == 0


@pytest.mark.parametrize("scenario", ["dies-once", "dies-by-signal-once", "hangs-once", "overruns-once"])
def test_one_failure_is_made_good(fake: Fakes, scenario: str) -> None:
    engine = fake(scenario)
    assert engine.evaluate(Query(START, 1000)).best.score == Score(True, cp=31)
    assert engine.restarts == 1
    assert engine.evaluate(Query(START, 2000)).best.score == Score(True, cp=31)
    assert engine.restarts == 1


@pytest.mark.parametrize(
    ("scenario", "error", "words"),
    [
        ("dies", EngineCrashedError, "exit code 3"),
        ("dies-by-signal", EngineCrashedError, "SIGSEGV"),
        ("hangs", EngineTimeoutError, "no best move"),
        ("overruns", EngineTimeoutError, "no best move"),
        ("exits-at-once", EngineCrashedError, "exit code 7.*cannot find my network"),
        ("dies-on-option", EngineCrashedError, "exit code 4"),
        ("bestmove-none", EngineAnswerError, "no move"),
        ("bestmove-empty", EngineAnswerError, "no move"),
        ("bestmove-illegal", EngineAnswerError, "'e2e5' is illegal"),
        ("bestmove-junk", EngineAnswerError, "is illegal"),
        ("no-score", EngineAnswerError, "no score"),
        ("score-broken", EngineAnswerError, "no score"),
        ("only-upper-bounds", EngineAnswerError, "only bounds"),
        ("only-lower-bounds", EngineAnswerError, "only bounds"),
        ("mate-zero", EngineAnswerError, "no score"),
    ],
)
def test_a_lasting_fault_ends_in_its_own_error(
    fake: Fakes, scenario: str, error: type[EngineError], words: str
) -> None:
    engine = fake(scenario)
    for _ in range(2):  # the second query finds a fresh process and the same outcome
        start = time.monotonic()
        with pytest.raises(error, match=words) as caught:
            engine.evaluate(Query(START, 1000))
        assert caught.value.epd == START
        assert caught.value.exit_code == 3
        # two attempts: the watchdog (0.42 s), 2 s for `stop`, starting; no more
        assert time.monotonic() - start < 2 * (PATIENCE + 0.1 + 2.0) + 3.0


def test_last_words_are_told_however_late_they_are_read(fake: Fakes, monkeypatch: pytest.MonkeyPatch) -> None:
    read = EngineProcess._read_errors

    def late(self: EngineProcess) -> None:
        time.sleep(0.2)
        read(self)

    monkeypatch.setattr(EngineProcess, "_read_errors", late)
    with pytest.raises(EngineCrashedError, match="cannot find my network"):
        fake("exits-at-once").evaluate(Query(START, 1000))


@pytest.mark.parametrize("scenario", ["hangs-on-isready", "silent"])
def test_an_engine_that_never_gets_ready_is_given_up(fake: Fakes, scenario: str) -> None:
    engine = fake(scenario, start_seconds=0.4)
    start = time.monotonic()
    with pytest.raises(EngineTimeoutError, match=r"no answer to '(uci|isready)' within"):
        engine.evaluate(Query(START, 1000))
    assert time.monotonic() - start < 4.0


@pytest.mark.parametrize(
    ("scenario", "score"),
    [
        ("mate-won", Score(True, mate=3)),
        ("mate-lost", Score(True, mate=-4)),
        ("mate-plus-sign", Score(True, mate=3)),
        ("bracket", Score(True, cp=31)),
        ("no-line", Score(True, cp=31)),
    ],
)
def test_scores_of_other_kinds(fake: Fakes, scenario: str, score: Score) -> None:
    answer = fake(scenario).evaluate(Query(START, 1000))
    assert answer.best.score == score
    assert answer.best.pv[0] == "e2e4"


def test_a_line_is_cut_before_its_first_illegal_move(fake: Fakes) -> None:
    answer = fake("illegal-tail").evaluate(Query(START, 1000))
    assert answer.best.pv == ("e2e4", "e7e5")
    assert answer.notes == ("line cut before illegal move 'e4e5'",)


def test_a_wholly_illegal_line_leaves_the_best_move(fake: Fakes) -> None:
    answer = fake("illegal-line").evaluate(Query(START, 1000))
    assert answer.best.pv == ("e2e4",)
    assert answer.notes


def test_several_lines_come_from_one_depth(fake: Fakes) -> None:
    # The deeper set is incomplete, and repeats an older line in another place: it must not be mixed in.
    answer = fake("three-lines").evaluate(Query(START, 1000, lines=3))
    assert [(line.pv[0], line.score.cp) for line in answer.lines] == [("e2e4", 31), ("d2d4", 20), ("c2c4", 10)]
    assert answer.depth == 5


def test_lines_are_sorted_by_score(fake: Fakes) -> None:
    answer = fake("unsorted-lines").evaluate(Query(START, 1000, lines=3))
    assert [line.score.cp for line in answer.lines] == [31, 20, 10]


def test_fewer_lines_than_asked_are_given_with_a_note(fake: Fakes) -> None:
    answer = fake("fewer-lines").evaluate(Query(START, 1000, lines=3))
    assert len(answer.lines) == 2
    assert answer.notes == ("2 of 3 lines",)


def test_a_move_that_was_excluded_is_no_answer(fake: Fakes) -> None:
    with pytest.raises(EngineAnswerError, match="not one of those"):
        fake("good").evaluate(Query(START, 1000, moves=("d2d4", "c2c4")))


def test_finished_positions_need_no_engine(fake: Fakes) -> None:
    engine = fake("exits-at-once")
    mate = engine.evaluate(MATED_QUERY)
    assert mate.lines[0].score == Score(False, mate=0)
    assert mate.lines[0].pv == ()
    stalemate = engine.evaluate(Query("7k/5K2/6Q1/8/8/8/8/8 b - -", 1000))
    assert stalemate.lines[0].score == Score(False, cp=0)
    assert engine.pid is None


@pytest.mark.parametrize(
    "epd",
    [
        "8/8/8/8/8/8/8/8 w - -",
        "4k3/8/8/8/8/8/4R3/4K3 w - -",  # Black's king could be taken
        "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQ1BNR w kq -",
        "nonsense",
    ],
)
def test_impossible_positions_are_not_put_to_an_engine(fake: Fakes, epd: str) -> None:
    engine = fake("good")
    with pytest.raises(EngineAnswerError):
        engine.evaluate(Query(epd, 1000))
    assert engine.pid is None


OPTIONS = [
    ({"Tune": 11}, "from -10 to 10"),
    ({"Tune": "much"}, "a whole number"),
    ({"Tune": True}, "a whole number"),
    ({"Style": "Loud"}, "one of Calm, Very Wild, Odd"),
    ({"Blind": 3}, "true or false"),
    ({"Reset": False}, "button"),
    ({"Note": "two\nlines"}, "one line"),
    ({"Tunes": 1}, "did you mean 'Tune'"),
    ({"Threads": 4}, "set by trapscan itself"),
    ({"MultiPV": 4}, "set by trapscan itself"),
]


@pytest.mark.parametrize(("options", "words"), OPTIONS)
def test_options_are_checked_against_what_the_engine_declares(
    fake: Fakes, options: dict[str, str | int | bool], words: str
) -> None:
    engine = fake("good", options=options)
    with pytest.raises(EngineRefusedError, match=words):
        engine.evaluate(Query(START, 1000))


def test_fitting_options_are_accepted_in_any_case(fake: Fakes) -> None:
    options = {"tune": -3, "STYLE": "very wild", "Blind": True, "Note": "two words", "Reset": True}
    assert fake("good", options=options).evaluate(Query(START, 1000)).best.pv[0] == "e2e4"


def test_ctrl_c_in_the_middle_of_a_search_ends_the_process(fake: Fakes, monkeypatch: pytest.MonkeyPatch) -> None:
    engine = fake("good")
    engine.evaluate(Query(START, 1000))
    session = engine._session
    assert session is not None

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(session, "_answer", interrupted)
    with pytest.raises(KeyboardInterrupt):
        engine.evaluate(Query(START, 2000))
    assert engine.pid is None
    assert running_with(fake.mark) == []
    assert engine.evaluate(Query(START, 2000)).best.pv[0] == "e2e4"


@pytest.mark.parametrize("scenario", ["flood-bytes", "flood-lines"])
def test_output_without_end_is_cut_off_by_its_bytes(fake: Fakes, scenario: str) -> None:
    """Not by the clock, which would cost the patience of each question twice."""
    with pytest.raises(EngineCrashedError, match="writes and writes and gives no best move"):
        fake(scenario, patience=600.0).evaluate(Query(START, 1000))


def test_numbers_beyond_all_bounds_are_clamped_where_they_enter(fake: Fakes, tmp_path: Path) -> None:
    engine = fake("huge-numbers")
    answer = engine.evaluate(Query(START, 1000))
    assert answer.best.score == Score(True, cp=100_000) and (answer.nodes, answer.depth) == (10**15, 999)
    with contextlib.closing(Store(tmp_path / "store.db")) as store:
        store.put("x", [(Query(START, 1000), answer)])
        assert store.get("x", [Query(START, 1000)]) == {Query(START, 1000): answer}
    facts = measure(engine.spec, {})
    assert Probe(**msgspec.json.decode(msgspec.json.encode(facts), type=dict)).name == "Fake 1.0"


@pytest.mark.parametrize("rest", ["", " lowerbound", " hashfull 3"])
@pytest.mark.parametrize("number", [10**30, -(10**30), 999_999_999, -999_999_999, 12])
def test_every_reader_clamps(number: int, rest: str) -> None:
    """The quick one and the careful one, the trail and the answer."""
    for kind in ("cp", "mate"):
        line = f"info depth {abs(number)} score {kind} {number}{rest} nodes {abs(number)} pv e2e4".encode()
        info = parse_info(line)
        assert info is not None and info.depth in (12, 999) and info.nodes <= 10**15
        assert abs(info.cp or info.mate or 0) <= {"cp": 100_000, "mate": 999}[kind]
        step = step_of_line(line, chess.Board(), 0)
        if not rest.endswith("bound"):
            assert step is not None and step[0] == info.nodes
            assert (step[1].score.cp, step[1].score.mate) == (info.cp, info.mate)
