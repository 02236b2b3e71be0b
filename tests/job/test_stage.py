"""What a stage is kept by: everything that decides an outcome is in its key, and nothing is found under a wrong one."""

from __future__ import annotations

import importlib
import pkgutil
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

import chess
import grimp
import msgspec
import pytest

import trapscan
import trapscan.job
from trapscan.chance import Evidence
from trapscan.engines import EngineSpec, Probe, Store
from trapscan.errors import EngineAnswerError, EngineError
from trapscan.job.baits import BAITS, BaitTask
from trapscan.job.positions import POSITIONS, Task
from trapscan.job.questions import QUESTIONS, Question
from trapscan.job.recheck import RECHECK, Recheck
from trapscan.job.run import Job
from trapscan.job.stage import Fields, Stage, code_digest
from trapscan.job.telling import TELLING, Telling
from trapscan.job.tools import Tools
from trapscan.job.work import Recorder
from trapscan.job.workers import Processes
from trapscan.model import Evaluation, Line, Position, Query, Slip
from trapscan.progress import Progress
from trapscan.score import Score
from trapscan.settings import (
    BAIT_SETTINGS,
    POSITION_SETTINGS,
    SHOWN_SETTINGS,
    VERIFY_SETTINGS,
    WALK_SETTINGS,
    Budget,
    Settings,
)

PACKAGE = Path(trapscan.__file__).parent
START = Position(chess.Board().epd(), chess.STARTING_FEN, (), 1, ("e2e4",))
AFTER = Position("after", chess.STARTING_FEN, ("e2e4",), 1, ("e7e5",))
TASK = Task(START, Evidence(counts={}), one_player=False)
TOOLS = Tools(EngineSpec("none", ()), Probe(name="None 1.0"), "identity", Settings(), None)

OTHER_SETTINGS: dict[str, Any] = {
    "budgets": (Budget(chance=0.0, least=1000, most=2000),),
    "engine_options": {"Contempt": 1},
    "levels": (1000, 2000),
    "baits": True,
    "time_control": "5400+30",
}
"""Another value for the settings that are no plain numbers."""


def stages() -> list[Stage[Any, Any]]:
    """All there are, wherever they stand in the room."""
    modules = [
        importlib.import_module(f"trapscan.job.{module.name}") for module in pkgutil.iter_modules(trapscan.job.__path__)
    ]
    found = {id(value): value for module in modules for value in vars(module).values() if isinstance(value, Stage)}
    return sorted(found.values(), key=lambda stage: stage.name)


def test_all_stages_are_seen_and_each_has_a_table_of_its_own() -> None:
    assert {POSITIONS, BAITS, QUESTIONS, RECHECK, TELLING} <= set(stages())
    names = [stage.name for stage in stages()]
    assert len(names) == len(set(names))


# --- settings --------------------------------------------------------------------------------------------------------


def test_what_each_setting_decides_is_said() -> None:
    sets = (POSITION_SETTINGS, BAIT_SETTINGS, WALK_SETTINGS, VERIFY_SETTINGS, SHOWN_SETTINGS)
    assert sorted(name for each in sets for name in each) == sorted(Settings.__struct_fields__)


@pytest.mark.parametrize("stage", stages(), ids=lambda stage: stage.name)
@pytest.mark.parametrize("name", Settings.__struct_fields__)
def test_a_setting_changes_the_key_where_it_decides(stage: Stage[Any, Any], name: str) -> None:
    value = getattr(TOOLS.settings, name)
    other = OTHER_SETTINGS.get(name, value + 1 if isinstance(value, int) else value)
    if isinstance(value, float):
        other = value / 2
    assert other != value
    changed = replace(TOOLS, settings=msgspec.structs.replace(TOOLS.settings, **{name: other}))
    assert (stage.cache_key(changed) != stage.cache_key(TOOLS)) == (name in stage.settings)


# --- tasks -----------------------------------------------------------------------------------------------------------

BEST = Line(Score(chess.WHITE, cp=30), ("e2e4",))
BAIT = BaitTask(TASK, BEST, "e2e4", AFTER)
QUESTION = Question(Query(START.epd, 1000))
SLIP = Slip("f2f3", Score(chess.WHITE, cp=-100), ("e7e5",), (), 1, 1)

OTHERS: list[tuple[Stage[Any, Any], Any, dict[str, Any]]] = [
    (
        POSITIONS,
        TASK,
        {
            "position": replace(START, prepared=("d2d4",)),
            "evidence": Evidence(counts={"x": {"e2e4": 1}}),  # type: ignore[dict-item]
            "one_player": True,
        },
    ),
    (
        BAITS,
        BAIT,
        {
            "at": replace(TASK, one_player=True),
            "best": Line(Score(chess.WHITE, cp=31), ("e2e4",)),
            "move": "d2d4",
            "after": replace(AFTER, prepared=("c7c5",)),
        },
    ),
    (QUESTIONS, QUESTION, {"query": Query(START.epd, 2000)}),
    (RECHECK, Recheck(START, (("f2f3", ""),)), {"position": AFTER, "slips": (("f2f3", "e7e5"),)}),
    (
        TELLING,
        Telling(START, BEST, SLIP, 1),
        {"position": AFTER, "best": replace(BEST, pv=("d2d4",)), "slip": replace(SLIP, nodes=2), "ply": 3},
    ),
]
IN_NO_KEY = {"epd": "follows from the moves", "move_orders": "a count", "opening": "a name"}
"""Fields of a position that no search and no explanation looks at."""


@pytest.mark.parametrize(("stage", "task", "others"), OTHERS, ids=lambda each: getattr(each, "name", ""))
def test_every_field_of_a_task_changes_the_key(stage: Stage[Any, Any], task: Any, others: dict[str, Any]) -> None:
    assert set(others) == {field.name for field in fields(task)}
    keys = stage.keys(TOOLS, [task, *(replace(task, **{name: value}) for name, value in others.items())])
    assert len(keys) == len(set(keys))
    assert stage.keys(TOOLS, [task]) == keys[:1]
    assert stage.keys(replace(TOOLS, identity="another"), [task]) != keys[:1]


def test_every_field_of_a_position_changes_the_key() -> None:
    others: dict[str, Any] = {
        "start_fen": chess.STARTING_FEN[:-1] + "2",
        "moves": ("e2e4",),
        "prepared": (),
        "beyond": 1,
    }
    assert others.keys() | IN_NO_KEY.keys() == {field.name for field in fields(START)}
    tasks = [Task(START), *(Task(replace(START, **{name: value})) for name, value in others.items())]
    assert len(set(POSITIONS.keys(TOOLS, tasks))) == len(tasks)
    for room in ("search", "explain", "chance"):
        text = "".join(file.read_text(encoding="utf-8") for file in (PACKAGE / room).rglob("*.py"))
        assert not [name for name in IN_NO_KEY if name != "epd" and f"position.{name}" in text]


# --- code ------------------------------------------------------------------------------------------------------------

DECIDES_NOTHING = {
    "trapscan": "names only",
    "trapscan.errors": "classes of errors",
    "trapscan.sanitize": "problems' text",
    "trapscan.job": "names only",
    "trapscan.job.tools": "finds the engine, whose identity is in the key",
    "trapscan.job.stage": "makes the keys: its change is another key, or none",
    "trapscan.job.packing": "the same values in less memory; a test of its own holds that",
    "trapscan.progress": "tells",
    "trapscan.request": "reads what is wanted; the settings are in the key",
}
ROOMS_WITH_A_KEY_OF_THEIR_OWN = ("trapscan.engines",)
"""Their version, bytes and limits are the engine's identity (test_driver)."""


def reached(graph: grimp.ImportGraph, module: str) -> set[str]:
    """The modules that one imports, directly or not; engines are not looked into."""
    seen, todo = set(), [module]
    while todo:
        name = todo.pop()
        if name in seen or name.startswith(ROOMS_WITH_A_KEY_OF_THEIR_OWN) or name in DECIDES_NOTHING:
            continue
        seen.add(name)
        todo += graph.find_modules_directly_imported_by(name)
    return seen


@pytest.fixture(scope="module")
def imports() -> grimp.ImportGraph:
    return grimp.build_graph("trapscan", cache_dir=None)


@pytest.mark.parametrize("stage", stages(), ids=lambda stage: stage.name)
def test_all_code_behind_an_outcome_is_in_its_key(stage: Stage[Any, Any], imports: grimp.ImportGraph) -> None:
    """What `solve` can reach, read off the imports."""
    behind = reached(imports, stage.solve.__module__)
    covered = {
        name
        for name in behind
        if any(
            name == f"trapscan.{room.removesuffix('.py').replace('/', '.')}"
            or name.startswith(f"trapscan.{room.replace('/', '.')}.")
            for room in stage.code
        )
    }
    assert behind - covered == set()


def test_a_changed_file_changes_the_digest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """settings.py and the weights too; what is not named does not matter."""
    for name in ("settings.py", "chance/net.onnx", "cli/bar.py"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text("1")
    monkeypatch.setattr(trapscan, "__file__", str(tmp_path / "__init__.py"))

    def now() -> str:
        return code_digest.__wrapped__(("settings.py", "chance"))

    first = now()
    (tmp_path / "cli/bar.py").write_text("2")
    assert now() == first
    (tmp_path / "settings.py").write_text("2")
    second = now()
    (tmp_path / "chance/net.onnx").write_text("2")
    assert len({first, second, now()}) == 3


# --- a stage of a few lines ------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Depth:
    """A task: the length of the best line after so many nodes."""

    epd: str
    budget: int

    def cache_key(self) -> Fields:
        return {"epd": self.epd, "budget": self.budget}


@dataclass(frozen=True, slots=True)
class Length:
    moves: int


def measure(tools: Tools, task: Depth, recorder: Recorder) -> Length:
    if task.budget < 0:
        raise EngineAnswerError("no such budget", epd=task.epd)
    return Length(len(recorder.evaluate(Query(task.epd, task.budget)).best.pv))


LENGTHS = Stage("lengths", "lengths", measure, Length, settings={"level"}, code=("model.py",))


class Notes(Progress):
    def __init__(self) -> None:
        self.told: list[tuple[str, float]] = []

    def add(self, positions: int) -> None:
        self.told.append(("add", positions))

    def step(self, positions: int, slips: int) -> None:
        self.told.append(("step", positions))

    def left(self, seconds: float | None) -> None:
        assert seconds is not None
        self.told.append(("left", seconds))


class Answers:
    """An engine that gives every position a line as long as its budget says."""

    asked: list[Query]

    def __init__(self) -> None:
        self.asked, self.restarts, self.cpu_seconds = [], 0, 0.0

    def evaluate(self, query: Query) -> Evaluation:
        self.asked.append(query)
        return Evaluation((Line(Score(chess.WHITE, cp=0), ("e2e4",) * query.budget),), 10 * query.budget)


@pytest.fixture
def engine(monkeypatch: pytest.MonkeyPatch) -> Answers:
    answers = Answers()
    monkeypatch.setattr("trapscan.job.work.engine_of", lambda tools: answers)
    return answers


def run(store: Path, tasks: list[Depth], **options: Any) -> tuple[list[tuple[int, int | None, bool]], Job, Notes]:
    notes = Notes()
    with Store(store) as kept:
        job = Job(kept, Processes(1), notes)
        told = [
            (done.task.budget, done.outcome.moves if done.outcome else None, done.fresh)
            for done in job.each(LENGTHS, replace(TOOLS, store=store), tasks, **options)
        ]
    return told, job, notes


def test_looked_up_worked_out_kept_and_counted(engine: Answers, tmp_path: Path) -> None:
    epd, store = START.epd, tmp_path / "store.db"
    first, job, notes = run(store, [Depth(epd, 3), Depth(epd, 1)], order=lambda task: task.budget)
    assert first == [(1, 1, True), (3, 3, True)], "by rising order"
    assert [what for what, _ in notes.told] == ["add", "left", "step", "left", "step"] and notes.told[0][1] == 2
    assert (job.stats.searched_nodes, job.stats.searched, job.stats.stages["lengths"].asked) == (40, 2, 2)
    again, job, notes = run(store, [Depth(epd, 3), Depth(epd, 2), Depth(epd, 1)])
    assert again == [(3, 3, False), (1, 1, False), (2, 2, True)], "what is known comes first"
    assert [query.budget for query in engine.asked] == [1, 3, 2], "nothing is asked twice"
    count = job.stats.stages["lengths"]
    assert (count.asked, count.from_store, count.searched, count.done) == (3, 2, 1, 3)
    assert "3 lengths (2 from the store), 20 engine nodes" in job.stats.text()


def test_each_result_is_in_the_store_before_it_is_given(engine: Answers, tmp_path: Path) -> None:
    store = tmp_path / "store.db"
    with Store(store) as kept:
        for done in Job(kept, Processes(1), Progress()).each(
            LENGTHS, TOOLS, [Depth(START.epd, 3), Depth(START.epd, 1)]
        ):
            with Store(store) as other:
                (key,) = LENGTHS.keys(TOOLS, [done.task])
                assert LENGTHS.read(other.get_blobs("lengths", [key]).get(key)) == done.outcome
            break
    assert len(engine.asked) == 1
    assert len(run(store, [Depth(START.epd, 3), Depth(START.epd, 1)])[0]) == 2
    assert len(engine.asked) == 2, "what was done before the end is kept"


def test_what_fails_is_a_problem_and_is_tried_again(engine: Answers, tmp_path: Path) -> None:
    told, job, _ = run(tmp_path / "store.db", [Depth(START.epd, -1), Depth(START.epd, 1)])
    assert sorted(told, key=str) == [(-1, None, True), (1, 1, True)]
    assert (job.stats.stages["lengths"].done, job.stats.stages["lengths"].searched) == (1, 2)
    with pytest.raises(EngineError, match="no such budget"):
        run(tmp_path / "store.db", [Depth(START.epd, -1)])


def test_an_outcome_of_another_form_is_worked_out_again(engine: Answers, tmp_path: Path) -> None:
    store, task = tmp_path / "store.db", Depth(START.epd, 1)
    with Store(store) as kept:
        kept.put_blobs("lengths", {LENGTHS.keys(TOOLS, [task])[0]: msgspec.msgpack.encode({"moves": "many"})})
    assert run(store, [task])[0] == [(1, 1, True)]
