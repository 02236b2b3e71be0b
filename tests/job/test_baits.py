"""Baits through the whole job, with a small engine that counts material: bytes, store, kill and resume, the report."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import chess
import jsonschema
import pytest

import trapscan.job.run
from trapscan import report
from trapscan.chance import chance_range, expected, load_model
from trapscan.contract import BaitFinding, encode_scan
from trapscan.engines import Engine
from trapscan.job import Result, scan
from trapscan.job.bait_terms import Tried
from trapscan.job.baits import BaitSearch, look
from trapscan.job.tools import Tools
from trapscan.job.work import Finished, attempt
from trapscan.model import Evaluation, Position, Query
from trapscan.report import scan_schema
from trapscan.score import Score

ENGINE = f"{sys.executable} {Path(__file__).parent.parent / 'engines' / 'material_uci.py'}"
LINES = '[Event "Small"]\n[Result "*"]\n\n1. e4 e5 2. Nf3 Nc6 3. Bc4 Nf6 *\n'
SMALL: dict[str, Any] = {
    "preset": "quick",
    "side": "black",
    "beyond": 0,
    "level": 1200,
    "settings": {
        "max_candidates": 6,
        "bait_price": 0.2,
        "bait_margin": 0.002,
        "bait_screened": 30,
        "bait_screen_nodes": 40_000,
        "bait_verified": 3,
        "bait_nodes": 30_000_000,  # the engine takes all it may for a best move, having one iteration only
        "levels": [1200, 1600, 2000],
    },
}


def run(file: Path, store: Path, *, jobs: int = 1, **changes: object) -> Result:
    options: dict[str, Any] = {"baits": True, **SMALL, **changes}
    return scan([file], engine=ENGINE, store=store, jobs=jobs, **options)


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("lines") / "small.pgn"
    path.write_text(LINES)
    return path


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("baits") / "store.db"


@pytest.fixture(scope="module")
def first(file: Path, store: Path) -> Result:
    return run(file, store)


def baits(result: Result) -> tuple[BaitFinding, ...]:
    return result.scan.baits


def test_what_a_bait_says_agrees_with_itself(first: Result) -> None:
    found = baits(first)
    assert found and not first.scan.problems
    for finding in found:
        board = chess.Board(finding.fen)
        details = finding.bait_details
        assert finding.replies
        assert not board.turn and finding.victim == "white", "only moves of our side"
        prepared = {2: "Nc6", 3: "Nf6", 1: "e5"}[board.fullmove_number]
        assert details.repertoire_move and details.repertoire_move.san == prepared
        assert finding.bait.san != prepared
        board.push_uci(finding.bait.uci)
        best = finding.cp_best
        assert isinstance(best, int)
        for i, level in enumerate(first.scan.levels):
            gain = 0.0
            at_best = expected(Score(chess.WHITE, cp=best), level)
            for reply in finding.replies:
                assert isinstance(reply.cp_slip, int)
                gain += reply.chance[i] * (at_best - expected(Score(chess.WHITE, cp=reply.cp_slip), level))
            assert details.slips_gain[i] == pytest.approx(gain, abs=2e-3)
            assert details.slips_gain[i] <= details.weak_gain[i] + 1e-4
            assert details.net_low[i] <= details.net[i] <= details.net_high[i]
            assert finding.toll[i] == pytest.approx(100 * finding.reach[i] * max(0, details.net[i]), abs=0.01)
        assert details.price[0] <= 0.2 and details.net[0] >= 0.002
        assert details.firm == (details.net_low[0] > 0)
        for reply in finding.replies:
            after = board.copy()
            after.push_uci(reply.slip.uci)
            assert chess.Move.from_uci(reply.refutation.uci) in after.legal_moves
        for san in details.otherwise:
            board.push_san(san)
        assert len(details.otherwise) == 2, "their best reply and our answer"


def test_the_chances_are_those_of_the_model(first: Result) -> None:
    """The sum of a reply's chances follows the net to within what the join moves."""
    finding = baits(first)[0]
    board = chess.Board(finding.start_fen)
    for san in finding.line:
        board.push_san(san)
    board.push_uci(finding.bait.uci)
    chances = load_model().predict([board], first.scan.levels)[0]
    for reply in finding.replies:
        assert reply.chance[0] == pytest.approx(chances[reply.slip.uci][0], abs=0.25)
        low, high = chance_range(reply.chance[0])
        assert low <= reply.chance[0] <= high


def test_same_bytes_with_two_workers_and_another_store(first: Result, file: Path, tmp_path: Path) -> None:
    assert encode_scan(run(file, tmp_path / "other.db", jobs=2).scan) == encode_scan(first.scan)


def test_the_most_promising_is_examined_however_few_nodes_are_left(
    file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    examined: dict[str, set[str]] = {}
    examine = BaitSearch.examine

    def noted(self: BaitSearch, move: str, after: Position | None = None) -> Tried:
        examined.setdefault(self.task.epd, set()).add(move)
        return examine(self, move, after)

    monkeypatch.setattr(BaitSearch, "examine", noted)
    run(file, tmp_path / "few.db", settings={**SMALL["settings"], "bait_nodes": 100})
    assert max(len(moves) for moves in examined.values()) == 2, "the repertoire's move and another"


def test_a_second_run_asks_nothing(first: Result, file: Path, store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Engine, query: Query) -> Evaluation:
        raise AssertionError(f"asked {query}")

    monkeypatch.setattr(Engine, "evaluate", refuse)
    again = run(file, store)
    assert encode_scan(again.scan) == encode_scan(first.scan)
    assert "all from the store" in again.stats.text()


def test_stopped_midway_it_goes_on(first: Result, file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[str] = []

    def watch(solve: Any, tools: Tools, numbered: tuple[int, Any]) -> Finished[Any]:
        if solve is look:
            seen.append(numbered[1].epd)
        return attempt(solve, tools, numbered)

    def stop_at_second(solve: Any, tools: Tools, numbered: tuple[int, Any]) -> Finished[Any]:
        if solve is look and len(seen) == 1:
            raise KeyboardInterrupt
        return watch(solve, tools, numbered)

    with monkeypatch.context() as patch:
        patch.setattr(trapscan.job.run, "attempt", stop_at_second)
        with pytest.raises(KeyboardInterrupt):
            run(file, tmp_path / "store.db")
    (done,) = seen
    seen.clear()
    monkeypatch.setattr(trapscan.job.run, "attempt", watch)
    assert encode_scan(run(file, tmp_path / "store.db").scan) == encode_scan(first.scan)
    assert len(seen) == 2 and done not in seen, "what was finished is kept"


def test_without_the_option_there_is_none_and_the_rest_is_the_same(first: Result, file: Path, store: Path) -> None:
    plain = run(file, store, baits=False)
    count = plain.stats.positions
    assert count.from_store == count.done, "the setting does not make positions be searched anew"
    assert baits(plain) == ()
    assert plain.scan.findings == first.scan.slips
    assert plain.scan.counters.engine_nodes < first.scan.counters.engine_nodes


def test_every_form_of_the_report_tells_of_it(first: Result, tmp_path: Path) -> None:
    jsonschema.validate(json.loads(encode_scan(first.scan)), scan_schema())
    report.write_scan(first.scan, tmp_path)
    report.write_reports(report.read_scan(tmp_path), tmp_path)
    finding = baits(first)[0]
    move, reply = finding.bait.san, finding.replies[0].slip.san
    for name in ("report.html", "report.md", "tricks.pgn", "tricks.epd", "findings.csv", "cards.txt"):
        text = (tmp_path / name).read_text(encoding="utf-8-sig")
        assert finding.id in text or move in text, name
    assert f"{move}?!" in report.terminal_summary(first.scan)
    cards = (tmp_path / "cards.txt").read_text(encoding="utf-8")
    assert reply in cards and "If they do not fall for it" in cards


def test_a_leaf_of_ours_is_measured_against_best_play(tmp_path: Path, store: Path) -> None:
    file = tmp_path / "leaf.epd"
    file.write_text("r1bqkbnr/pppp1ppp/2n5/4p3/2B1P3/5N2/PPPP1PPP/RNBQK2R b KQkq - 3 3\n")
    found = baits(run(file, store))
    assert found
    for finding in found:
        details = finding.bait_details
        assert details.repertoire_move is None and details.repertoire_price == ()
        assert details.against is None
        for gain, price, balance in zip(details.weak_gain, details.price, details.net, strict=True):
            assert balance == pytest.approx(gain - price, abs=2e-4)


def test_counts_of_games_speak_for_the_bait_and_for_the_repertoires_move(
    first: Result, file: Path, store: Path, tmp_path: Path
) -> None:
    """Games in which the first slip after the bait was always played raise its chance."""
    finding = baits(first)[0]
    board = chess.Board(finding.start_fen)
    for san in (*finding.line, finding.bait.san, finding.replies[0].slip.san):
        board.push_san(san)
    games = tmp_path / "games.pgn"
    movetext = chess.Board().variation_san(board.move_stack)
    games.write_text(f'[Event "?"]\n[WhiteElo "1250"]\n[Result "*"]\n\n{movetext} *\n\n' * 300)
    counted = run(file, store, games=[games])
    again = {f.id: f for f in baits(counted)}[finding.id]
    assert again.replies[0].chance[0] > max(0.5, finding.replies[0].chance[0])
    assert encode_scan(run(file, store, games=[games]).scan) == encode_scan(counted.scan)
