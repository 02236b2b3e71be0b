"""The whole job with real engines on a repertoire of a few moves: same bytes whatever the workers, the store and the
interruptions; nothing is searched twice; what fails is told."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import jsonschema
import pytest

from tests.job.small_scans import AFTER_NF6, BEFORE_NF6, LINES, MORE, SMALL, Spied, spied
from trapscan.contract import Scan, SlipFinding, encode_scan
from trapscan.engines import EngineSpec, Probe
from trapscan.engines.limits import TimeLimit
from trapscan.errors import EngineError, InputError
from trapscan.job import scan
from trapscan.report import scan_schema

Stockfish = tuple[EngineSpec, Probe]

FAKE = Path(__file__).parent.parent / "engines" / "fake_uci.py"


def scholars_mate(report: Scan) -> SlipFinding:
    (found,) = [f for f in report.slips if f.slip.san == "Nf6" and f.fen == BEFORE_NF6]
    return found


def test_content(first: Spied) -> None:
    """The scholar's mate is found; reach, chance, cost and toll agree with each other."""
    report = first.result.scan
    scholar = scholars_mate(report)
    assert (scholar.kind, scholar.victim, scholar.in_repertoire) == ("trick", "black", True)
    assert (scholar.fen, scholar.line) == (BEFORE_NF6, ("e4", "e5", "Bc4", "Nc6", "Qh5"))
    assert scholar.refutation and scholar.refutation.line == ("Qxf7#",)
    assert (scholar.gain, scholar.cp_slip, scholar.ply) == ("mate", {"mate": -1}, 1)
    assert scholar.prepared and (scholar.prepared.answers, scholar.prepared.right) == ((), False)
    assert (report.input.games, report.input.positions, report.problems) == (1, 12, ())
    assert report.counters.positions > report.input.positions, "it goes on past the ends"
    for finding in report.findings:
        for chance, reach, cost, toll in zip(finding.chance, finding.reach, finding.cost, finding.toll, strict=True):
            assert 0 <= chance <= 1 and 0 <= reach <= 1 and 0 <= cost <= 1
            # chance and cost are shown with four digits, the toll is made of the whole numbers
            assert toll == pytest.approx(100 * reach * chance * cost, abs=0.005 * reach * (chance + cost) + 1e-4)
    assert scholar.nature == "tactic", "it mates"
    leads = {f.idea: f for f in reversed(report.slips)}  # the first of each idea
    for finding in report.slips:
        assert all(0 <= value <= 1 for value in (*finding.worth, *finding.met))
        lead = leads[finding.idea]
        same = (lead.victim, lead.nature, lead.refutation.uci if lead.refutation else "")
        assert same == (finding.victim, finding.nature, finding.refutation.uci if finding.refutation else "")

    def like(one: SlipFinding, other: SlipFinding) -> bool:  # of such the second stands lower than its own numbers say
        answers = [(f.victim, f.refutation.uci if f.refutation else "", f.gain) for f in (one, other)]
        return one.idea == other.idea or one.fen == other.fen or answers[0] == answers[1]

    alone = [f for f in report.slips if sum(like(f, g) for g in report.slips) == 1 and f.kind != "unsound"]
    middle = [[(values[2] + values[3]) / 2 for values in (f.worth, f.met, f.chance)] for f in alone]  # level 1500
    ranks = [worth * (met * chance) ** 0.25 for worth, met, chance in middle]
    assert len(ranks) >= 3 and ranks == sorted(ranks, reverse=True), "by worth times how often, damped"


def test_output_fits_the_schema(first: Spied) -> None:
    jsonschema.validate(json.loads(encode_scan(first.result.scan)), scan_schema())


def test_output_tells_nothing_of_this_machine(first: Spied, lines: Path) -> None:
    text = encode_scan(first.result.scan).decode()
    assert str(lines.parent) not in text and str(first.store.parent) not in text


def test_two_workers_give_the_same_bytes(first: Spied, lines: Path, stockfish: Stockfish, tmp_path: Path) -> None:
    other = scan([lines], engine=stockfish[0].command[0], jobs=2, store=tmp_path / "store.db", settings=SMALL)
    assert other.stats.searched_nodes > 0
    assert encode_scan(other.scan) == encode_scan(first.result.scan)


def test_a_second_run_asks_the_engine_nothing(first: Spied, lines: Path, stockfish: Stockfish) -> None:
    again = spied(lines, first.store, stockfish[0])
    assert (again.examined, again.asked, again.result.stats.searched_nodes) == ([], [], 0)
    assert again.result.stats.positions.from_store == again.result.stats.positions.done
    assert encode_scan(again.result.scan) == encode_scan(first.result.scan)


def test_an_added_line_searches_only_what_is_new(first: Spied, stockfish: Stockfish, tmp_path: Path) -> None:
    file = tmp_path / "small.pgn"
    file.write_text(MORE)
    grown = spied(file, first.store, stockfish[0])
    assert grown.asked and not set(grown.asked) & set(first.asked)
    branch = "rnbqkbnr/pp1ppppp/2p5/8/4P3/8/PPPP1PPP/RNBQKBNR w KQkq -"
    assert set(grown.examined) & set(first.examined) <= {branch}, "where it branches off there is a new move"
    fresh = scan([file], engine=stockfish[0].command[0], jobs=1, store=tmp_path / "fresh.db", settings=SMALL)
    assert encode_scan(grown.result.scan) == encode_scan(fresh.scan)


def test_a_file_for_both_sides(first: Spied, lines: Path, stockfish: Stockfish, tmp_path: Path) -> None:
    """Nothing in the tree refutes 3...Nf6: in a file for both sides it was meant as a good move. With the refutation
    in the tree it stands there to be shown."""
    assert first.result.scan.side == "white", "read off the tree"
    shown = tmp_path / "shown.pgn"
    shown.write_text(LINES.replace("3. Qh5 Nf6", "3. Qh5 Nf6 4. Qxf7#"))
    kinds = []
    for file in (lines, shown):
        report = scan(
            [file], side="both", engine=stockfish[0].command[0], jobs=1, store=first.store, settings=SMALL
        ).scan
        kinds.append(scholars_mate(report).kind)
        assert "pitfall" not in {f.kind for f in report.findings}
        assert {f.victim for f in report.findings} == {"white", "black"}
    assert kinds == ["unsound", "trick"]


def test_our_own_slip_is_a_pitfall_or_unsound(first: Spied, lines: Path, stockfish: Stockfish) -> None:
    report = scan([lines], side="black", engine=stockfish[0].command[0], jobs=1, store=first.store, settings=SMALL).scan
    assert {(f.kind, f.victim) for f in report.findings} <= {
        ("unsound", "black"),
        ("pitfall", "black"),
        ("trick", "white"),
    }
    assert scholars_mate(report).kind == "unsound" and report.findings[0].kind == "unsound"
    with pytest.raises(InputError, match="side"):
        scan([lines], side="red", store=first.store)


# --- what goes wrong -------------------------------------------------------------------------------------------------


def test_a_broken_file_is_read_as_far_as_it_goes(stockfish: Stockfish, tmp_path: Path) -> None:
    file = tmp_path / "broken.pgn"
    file.write_text('[Event "One"]\n\n1. e4 e5 2. Ke3 Nc6 *\n\n[Event "Two"]\n\n1. e4 c5 *\n')
    tiny = SMALL | {"beyond": 0, "max_candidates": 1, "best_nodes": 1000}
    report = scan([file], engine=stockfish[0].command[0], jobs=1, store=tmp_path / "store.db", settings=tiny).scan
    (problem,) = report.problems
    assert (problem.file, problem.game, problem.ply) == ("broken.pgn", 1, 3) and "Ke3" in problem.text
    assert (report.input.games, report.input.positions) == (2, 4)


PROXY = """#!{python} -IS
# Passes everything on to an engine, and dies at one position.
import os, subprocess, sys
engine = subprocess.Popen([{engine!r}], stdin=subprocess.PIPE, text=True, bufsize=1)
for line in sys.stdin:
    if {fatal!r} in line:
        engine.kill()
        os._exit(3)
    engine.stdin.write(line)
    engine.stdin.flush()
    if line.strip() == "quit":
        break
engine.stdin.close()
engine.wait()
"""


TAIL = """#!{python} -IS
# Passes everything on to an engine and back; at one position its lines end in a move that nobody can make.
import subprocess, sys, threading
engine = subprocess.Popen([{engine!r}], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1)
odd = False
def back():
    for line in engine.stdout:
        if odd and " pv " in line:
            line = line.rstrip() + " a1a1\\n"
        sys.stdout.write(line)
        sys.stdout.flush()
threading.Thread(target=back, daemon=True).start()
for line in sys.stdin:
    if line.startswith("position"):
        odd = {at!r} in line
    engine.stdin.write(line)
    engine.stdin.flush()
engine.stdin.close()
engine.wait()
"""


def test_a_position_that_kills_the_engine_is_a_problem_and_the_rest_goes_on(
    first: Spied, lines: Path, stockfish: Stockfish, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    proxy = tmp_path / "proxy"
    proxy.write_text(PROXY.format(python=sys.executable, engine=stockfish[0].command[0], fatal=AFTER_NF6))
    proxy.chmod(0o755)
    monkeypatch.setattr("trapscan.engines.probe", lambda spec, **_: stockfish[1])
    report = scan([lines], engine=str(proxy), jobs=1, store=tmp_path / "store.db", settings=SMALL).scan
    # the position after 3...Nf6, and the one before it, whose moves lead there
    texts = [problem.text for problem in report.problems]
    assert [(problem.ply, AFTER_NF6 in problem.text) for problem in report.problems] == [(5, True), (6, True)], texts
    assert all("\n" not in text for text in texts)
    whole = {f.id for f in first.result.scan.findings if len(f.line) not in (5, 6)}
    assert whole and whole <= {f.id for f in report.findings}


def test_odd_answers_are_told_and_kept(
    first: Spied, lines: Path, stockfish: Stockfish, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A line with an illegal tail at one position: the same problem from the store and with two workers."""
    proxy = tmp_path / "proxy"
    proxy.write_text(TAIL.format(python=sys.executable, engine=stockfish[0].command[0], at=AFTER_NF6))
    proxy.chmod(0o755)
    monkeypatch.setattr("trapscan.engines.probe", lambda spec, **_: stockfish[1])
    store = tmp_path / "store.db"
    runs = [
        scan([lines], engine=str(proxy), jobs=jobs, store=path, settings=SMALL).scan
        for jobs, path in ((1, store), (1, store), (2, tmp_path / "other.db"))
    ]
    texts = [(problem.ply, problem.text) for problem in runs[0].problems]
    assert [ply for ply, _ in texts] == [5, 6]
    assert all("line cut before illegal move 'a1a1'" in text for _, text in texts)
    assert "position " + BEFORE_NF6[:40] in texts[0][1] and AFTER_NF6 in texts[1][1]
    assert runs[0] == runs[1] == runs[2]
    assert runs[0].findings == first.result.scan.findings


def test_a_store_set_aside_is_told(lines: Path, stockfish: Stockfish, tmp_path: Path) -> None:
    store = tmp_path / "evaluations.sqlite"
    store.write_bytes(b"SQLite format 3\0" + b"broken" * 500)
    tiny = SMALL | {"beyond": 0, "max_candidates": 1, "best_nodes": 1000}
    result = scan([lines], engine=stockfish[0].command[0], jobs=1, store=store, settings=tiny)
    (note,) = result.stats.notes
    assert "set aside as evaluations.sqlite.aside-1" in note


def test_an_engine_driven_by_time_is_told(lines: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    facts = Probe(
        name="Material 1.0", driven_by=TimeLimit(pace=2**20), nps=1_000_000, notes=("results vary from run to run",)
    )
    monkeypatch.setattr("trapscan.engines.probe", lambda spec, **_: facts)
    engine = f"{sys.executable} {FAKE.with_name('material_uci.py')}"
    result = scan([lines], engine=engine, jobs=1, store=tmp_path / "store.db", settings=SMALL)
    assert result.stats.notes == ["Material 1.0: results vary from run to run"]


def fake_engine(scenario: str) -> str:
    return f"{sys.executable} -I -S {FAKE} {scenario}"


@pytest.mark.parametrize("scenario", ["exits-at-once", "good"])
def test_an_engine_that_is_no_use_ends_the_job_at_once(lines: Path, tmp_path: Path, scenario: str) -> None:
    """Measured as it is, the scripted engine fails at once, or is refused: it knows one position."""
    with pytest.raises(EngineError):
        scan([lines], engine=fake_engine(scenario), jobs=1, store=tmp_path / "store.db", settings=SMALL)


def test_the_embedded_engine(embedded: Stockfish, tmp_path: Path) -> None:
    file = tmp_path / "three.pgn"
    file.write_text("1. e4 e5 *\n")
    tiny = SMALL | {"budgets": [{"chance": 0.0, "least": 500, "most": 1500}], "best_nodes": 1000, "beyond": 0}
    result = scan([file], engine="embedded", jobs=1, store=tmp_path / "store.db", settings=tiny | {"max_candidates": 2})
    assert (result.scan.input.positions, result.scan.problems) == (3, ())
    assert result.scan.engine.embedded and result.scan.engine.limit_kind == "nodes" and result.stats.searched_nodes > 0
    jsonschema.validate(json.loads(encode_scan(result.scan)), scan_schema())
