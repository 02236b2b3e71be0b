"""A second engine: who is asked what, what counts as a denial, and that the bytes do not depend on the run."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import chess
import msgspec
import pytest

from tests.job.small_scans import BUDGETS
from trapscan.cli import main
from trapscan.contract import (
    BaitDetails,
    BaitFinding,
    BaitReply,
    Depth,
    Finding,
    FindingBase,
    Gain,
    MoveText,
    Refutation,
    Side,
    SlipFinding,
    SlipKind,
    Verified,
    encode_scan,
)
from trapscan.engines import Engine, EngineSpec, Probe, Store
from trapscan.errors import EngineError
from trapscan.job import Progress, Stats, scan
from trapscan.job.run import Job
from trapscan.job.second import Second
from trapscan.job.tools import Tools
from trapscan.job.work import close_engines
from trapscan.job.workers import Processes
from trapscan.model import Evaluation, Query
from trapscan.settings import Budget, Settings

FAKE = Path(__file__).parent.parent / "engines" / "fake_uci.py"
FACTS = Probe(name="Table 1.0", nps=1_000_000)
SETTINGS = Settings(
    budgets=(Budget(chance=0.0, least=1000, most=8000),), best_nodes=5000, confirm_nodes=3000, threshold=0.1
)

# 1.e4 e5 2.Nf3 f6 (Damiano's defence) 3.Nxe5, and the plain 2...Nc6: the scores are invented.
BEFORE = "rnbqkbnr/pppp1ppp/8/4p3/4P3/5N2/PPPP1PPP/RNBQKB1R b KQkq -"
AFTER = "rnbqkbnr/pppp2pp/5p2/4p3/4P3/5N2/PPPP1PPP/RNBQKB1R w KQkq -"
BEST = f"{BEFORE} * depth 9 score cp -20 nodes 5000 pv b8c6 f1b5"
SLIP = f"{AFTER} * depth 9 score cp 150 nodes 3000 pv f3e5 f6e5"


def finding(**changes: Any) -> SlipFinding:
    levels = (0.1,) * len(SETTINGS.levels)
    made = SlipFinding(
        id="damiano",
        kind=SlipKind.TRICK,
        victim=Side.BLACK,
        fen=f"{BEFORE} 1 2",
        start_fen=chess.STARTING_FEN,
        line=("e4", "e5", "Nf3"),
        move_orders=1,
        opening=None,
        slip=MoveText(san="f6", uci="f7f6"),
        cp_best=-20,
        cp_slip=-160,
        gain=Gain.PAWN,
        chance=levels,
        find=levels,
        reach=levels,
        cost=levels,
        toll=levels,
        depth=Depth(exposed=1000),
        verified=Verified(nodes=3000),
    )
    return msgspec.structs.replace(made, **changes)


def searched(stats: Stats) -> int:
    return stats.stages["second"].searched


Judge = Callable[..., tuple[Second, Finding]]


@pytest.fixture
def judge(tmp_path: Path) -> Iterator[Judge]:
    """A function that puts the finding to a scripted engine which knows the given lines: the work done, the result."""
    stores: list[Store] = []

    def run(*table: str, scenario: str = "table", case: Finding | None = None) -> tuple[Second, Finding]:
        path = tmp_path / "table.txt"
        path.write_text("\n".join(table))
        spec = EngineSpec("table", (sys.executable, "-I", "-S", str(FAKE), scenario, str(tmp_path / "mark"), str(path)))
        tools = Tools(spec, FACTS, f"identity {scenario}", SETTINGS, None)
        stores.append(Store(tmp_path / "store.db"))
        second = Second(tools, Job(stores[-1], Processes(1), Progress()))
        second.ask([case or finding()])
        (judged,) = second.judge([case or finding()])
        return second, judged

    yield run
    close_engines()
    for store in stores:
        store.close()


def test_agreement(judge: Judge) -> None:
    """Asked once about each position, at the budgets that the finding was confirmed with."""
    second, judged = judge(BEST, SLIP)
    opinion = judged.verified.second_engine
    assert opinion is not None and opinion.agrees and not judged.disputed
    assert (opinion.engine, opinion.cp_best, opinion.cp_slip) == ("Table 1.0", -20, -150), "the victim's view"
    assert (opinion.reply, opinion.nodes) == ("Nxe5", 3000)
    assert set(second.heard) == {Query(BEFORE, 5000), Query(AFTER, 3000)}
    assert judged.cp_slip == -160, "what the first engine says stands as it was"
    assert second.problems([judged]) == ()


def test_a_denial_counts_only_from_the_deepest_budget(judge: Judge) -> None:
    first = SLIP.replace("cp 150", "cp 30")
    second, judged = judge(BEST, first)
    assert judged.disputed and judged.verified.second_engine is not None
    assert judged.verified.second_engine.nodes == 8000
    assert sorted(query.budget for query in second.heard) == [3000, 5000, 8000, 8000]


def test_a_denial_at_a_glance_is_taken_back(judge: Judge) -> None:
    shallow = SLIP.replace(" * ", " 3000 ").replace("cp 150", "cp 30")
    _, judged = judge(BEST, shallow, SLIP.replace(" * ", " 8000 ").replace("cp 150", "cp 400"))
    opinion = judged.verified.second_engine
    assert opinion is not None and opinion.agrees and (opinion.cp_slip, opinion.nodes) == (-400, 8000)


def test_a_mate(judge: Judge) -> None:
    _, judged = judge(BEST, SLIP.replace("cp 150", "mate 4"))
    opinion = judged.verified.second_engine
    assert opinion is not None and opinion.agrees and opinion.cp_slip == {"mate": -4}


def test_of_a_bait_the_first_slip_it_invites_is_asked_about(judge: Judge) -> None:
    start = "rnbqkbnr/pppp1ppp/8/4p3/4P3/8/PPPP1PPP/RNBQKBNR w KQkq - 0 2"
    reply = BaitReply(
        slip=MoveText(san="f6", uci="f7f6"),
        refutation=Refutation(san="Nxe5", uci="f3e5", line=("Nxe5",)),
        chance=(0.1,) * 8,
        cp_best=-20,
        cp_slip=-150,
        gain=Gain.PAWN,
    )
    shared = set(FindingBase.__struct_fields__) - {"fen", "line"}
    bait = BaitFinding(
        fen=start,
        line=("e4", "e5"),
        bait=MoveText(san="Nf3", uci="g1f3"),
        replies=(reply,),
        bait_details=BaitDetails(
            repertoire_move=None,
            price=(0.0,) * 8,
            slips_gain=(0.0,) * 8,
            net=(0.0,) * 8,
            net_low=(0.0,) * 8,
            net_high=(0.0,) * 8,
            firm=False,
            pays_below=None,
            otherwise=(),
        ),
        **{name: getattr(finding(), name) for name in shared},
    )
    second, judged = judge(BEST, SLIP, case=bait)
    assert judged.verified.second_engine is not None and judged.verified.second_engine.reply == "Nxe5"
    second, judged = judge(BEST, SLIP, case=msgspec.structs.replace(bait, replies=()))
    assert judged.verified.second_engine is None and not second.heard


def test_one_crash_changes_nothing(judge: Judge) -> None:
    undisturbed = judge(BEST, SLIP)[1]
    second, judged = judge(BEST, SLIP, scenario="table-once")
    assert judged == undisturbed and second.job.stats.restarts == 1
    assert "started again 1 times" in second.job.stats.text()


def test_an_answer_that_cannot_be_had_is_a_problem_and_the_finding_stays(judge: Judge) -> None:
    second, judged = judge(BEST)
    assert judged == finding() and not judged.disputed
    (problem,) = second.problems([judged])
    assert problem.ply == 4 and AFTER in problem.text and problem.text.startswith("second engine: ")


def test_an_odd_answer_is_a_problem(judge: Judge) -> None:
    second, judged = judge(BEST.replace("f1b5", "e2e4"), SLIP)
    assert judged.verified.second_engine is not None
    (problem,) = second.problems([judged])
    assert problem.ply == 3 and "line cut before illegal move 'e2e4'" in problem.text and BEFORE in problem.text


def test_the_store_answers_the_second_time(judge: Judge) -> None:
    first, judged = judge(BEST, SLIP)
    again, same = judge()  # this one knows nothing at all
    assert same == judged and again.heard == first.heard
    assert (searched(first.job.stats), searched(again.job.stats)) == (2, 0)
    assert first.job.stats.searched_nodes == 8000 and again.job.stats.searched_nodes == 0


# --- the whole job, with real engines --------------------------------------------------------------------------------

SMALL: dict[str, Any] = {
    **BUDGETS,
    "best_nodes": 20_000,  # a move of the file is searched as the position after it: Damiano's needs so many
    "beyond": 0,
    "max_candidates": 4,
}
LINES = "1. e4 e5 2. Nf3 Nc6 (2... f6) (2... d6 3. d4 Bg4) 3. Bc4 Nd4 *\n"


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("lines") / "small.pgn"
    file.write_text(LINES)
    return file


@pytest.mark.engine
def test_equal_bytes_whatever_the_workers_and_nothing_is_asked_twice(
    lines: Path,
    tmp_path: Path,
    stockfish: tuple[EngineSpec, Probe],
    engine_or_skip: Callable[[str], EngineSpec],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    other = engine_or_skip("fairy-stockfish").command[0]
    options: dict[str, Any] = {"engine": stockfish[0].command[0], "second_engine": other, "settings": SMALL}
    one = scan([lines], jobs=1, store=tmp_path / "one.db", **options)
    two = scan([lines], jobs=2, store=tmp_path / "two.db", **options)
    assert encode_scan(one.scan) == encode_scan(two.scan)
    assert searched(two.stats) == searched(one.stats) > 0
    assert one.scan.second_engine is not None and one.scan.second_engine.name.startswith("Fairy-Stockfish")
    assert one.scan.findings
    for found in one.scan.findings:
        opinion = found.verified.second_engine
        assert opinion is not None and opinion.engine == one.scan.second_engine.name
    # Damiano's 2...f6 is refuted by 3.Nxe5 (common practice, no source): both engines say so
    (damiano,) = [f for f in one.scan.slips if f.slip.san == "f6" and f.fen.startswith(BEFORE)]
    assert not damiano.disputed and damiano.verified.second_engine
    disputed = [f.disputed for f in one.scan.findings]
    assert disputed == sorted(disputed), "what is denied comes last"

    asked: list[Query] = []

    def refuse(self: Engine, query: Query) -> Evaluation:
        asked.append(query)
        raise AssertionError("nothing is to be asked")

    monkeypatch.setattr(Engine, "evaluate", refuse)
    warm = scan([lines], jobs=1, store=tmp_path / "one.db", **options)
    assert asked == [] and encode_scan(warm.scan) == encode_scan(one.scan)
    # without the second engine the positions' outcomes are the same ones
    alone = scan([lines], jobs=1, store=tmp_path / "one.db", **options | {"second_engine": None})
    assert asked == [] and alone.scan.second_engine is None
    assert {f.id for f in alone.scan.findings} == {f.id for f in one.scan.findings}


@pytest.mark.engine
@pytest.mark.parametrize("second", ["./no-such-engine", f"{sys.executable} -I -S {FAKE} good"])
def test_a_second_engine_that_is_no_use_ends_the_job_before_it_begins(
    second: str, lines: Path, tmp_path: Path, stockfish: tuple[EngineSpec, Probe], capsys: pytest.CaptureFixture[str]
) -> None:
    """Missing, or refused: the scripted engine knows one position."""
    with pytest.raises(EngineError, match="second engine"):
        scan([lines], engine=stockfish[0].command[0], second_engine=second, store=tmp_path / "store.db", settings=SMALL)
    arguments = ["scan", str(lines), "--engine", stockfish[0].command[0], "--second-engine", second]
    assert main([*arguments, "--store", str(tmp_path / "store.db"), "--out", str(tmp_path / "out")]) == 3
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1 and "second engine" in err
    assert not (tmp_path / "out").exists()


@pytest.mark.engine
def test_the_same_engine_twice_is_said(lines: Path, tmp_path: Path, stockfish: tuple[EngineSpec, Probe]) -> None:
    class Notes(Progress):
        said: list[str] = []  # noqa: RUF012

        def note(self, text: str) -> None:
            self.said.append(text)

    notes = Notes()
    path = stockfish[0].command[0]
    scan([lines], engine=path, second_engine=path, jobs=1, store=tmp_path / "s.db", progress=notes, settings=SMALL)
    assert any("first one again" in text for text in notes.said)
