"""What a scan says of the owner's file: marks believed, what is prepared, words, sides by chapter. With an engine."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.job.marked_traps import marked_traps
from tests.job.small_scans import BUDGETS
from trapscan.contract import Place, PreparedState, Scan, SlipFinding
from trapscan.engines import EngineSpec, Probe
from trapscan.errors import InputError
from trapscan.job import scan
from trapscan.job.rechecks import epd_of
from trapscan.report.owned import mark_text

pytestmark = pytest.mark.engine
Stockfish = tuple[EngineSpec, Probe]
PLAIN = {**BUDGETS, "beyond": 0, "max_candidates": 3}

# The scholar's mate (common practice): 3...Nf6 4.Qxf7#. White's chapter, Black's chapter, and a chapter that is shared.
MATE = "1. e4 e5 2. Bc4 Nc6 3. Qh5"
CHAPTERS = f"""[Event "For White"]

{MATE} Nf6 {{They fall for it}} (3... g6 4. Qf3) 4. Qxf7# {{Mate}} *

[Event "For Black"]

{MATE} {{Look out}} g6 (3... Nf6?? {{then Qxf7 mates}}) *

[Event "Also for Black"]

{MATE.replace("Nc6", "Nf6")} Nc6! {{Best}} (3... Nxe4 4. Qxe5+) (3... d5) *
"""


def scanned(text: str, folder: Path, stockfish: Stockfish, **options: object) -> Scan:
    (folder / "own.pgn").write_text(text)
    return scan(
        [folder / "own.pgn"],
        engine=stockfish[0].command[0],
        jobs=1,
        store=folder / "store.db",
        settings=PLAIN,
        **options,  # type: ignore[arg-type]
    ).scan


def at(report: Scan, epd: str, san: str) -> SlipFinding:
    (found,) = [slip for slip in report.slips if epd_of(slip) == epd and slip.slip.san == san]
    return found


MARKED = marked_traps(12)


@pytest.fixture(scope="module")
def marks(tmp_path_factory: pytest.TempPathFactory, stockfish: Stockfish) -> Scan:
    return scanned("\n".join(each.game for each in MARKED), tmp_path_factory.mktemp("marks"), stockfish)


def test_marked_mistakes_are_never_to_be_repaired(marks: Scan) -> None:
    warned = {(each.epd, each.trap["slip"]) for each in MARKED if each.mark in ("?", "??")}
    told = [slip for slip in marks.slips if (epd_of(slip), slip.slip.san) in warned]
    assert len(told) >= 3 and {slip.kind for slip in told} == {"pitfall"}
    for slip in told:
        assert mark_text(slip).startswith(f"You marked this {slip.mark}: right, it ") and slip.named
        assert slip.state is PreparedState.RIGHT and slip.own is not None


def test_a_praise_that_the_engine_denies_is_said_beside_the_files_own_better_move(marks: Scan) -> None:
    praised = {(each.epd, each.trap["slip"]): each.trap for each in MARKED if each.mark in ("!", "!?")}
    told = [slip for slip in marks.slips if (epd_of(slip), slip.slip.san) in praised]
    assert len(told) >= 3 and {(slip.kind, slip.state) for slip in told} == {("unsound", PreparedState.WRONG)}
    for slip in told:
        assert slip.own is not None and slip.own.san == praised[epd_of(slip), slip.slip.san]["best_instead"]
        assert "worse than your own" in mark_text(slip)


BEFORE = "r1bqkbnr/pppp1ppp/2n5/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR b KQkq -"


def test_chapters_for_either_side_in_one_file(tmp_path: Path, stockfish: Stockfish) -> None:
    report = scanned(CHAPTERS, tmp_path, stockfish)
    assert [chapter.side for chapter in report.chapters] == ["white", "black", "black"] and report.side == "both"
    slip = at(report, BEFORE, "Nf6")
    assert (slip.kind, slip.chapters, slip.state, slip.mark) == ("trick", (0, 1), PreparedState.RIGHT, "??")
    assert [(word.chapter, word.place, word.text) for word in slip.words] == [
        (1, Place.POSITION, "Look out"),
        (0, Place.SLIP, "They fall for it"),
        (1, Place.SLIP, "then Qxf7 mates"),
        (0, Place.REFUTATION, "Mate"),
    ]
    assert all(finding.chapters for finding in report.findings)


def test_the_side_of_a_chapter_may_be_said(tmp_path: Path, stockfish: Stockfish) -> None:
    alone = CHAPTERS.split("\n\n[")[1].join(["[", ""])
    own = at(scanned(alone, tmp_path, stockfish), BEFORE, "Nf6")
    assert (own.kind, own.state, own.named) == ("pitfall", PreparedState.RIGHT, "Qxf7#"), "named in a comment"
    assert own.own is not None and own.own.san == "g6"
    theirs = at(scanned(alone, tmp_path, stockfish, side="1=white"), BEFORE, "Nf6")
    assert (theirs.kind, theirs.state) == ("trick", PreparedState.NONE)
    with pytest.raises(InputError, match="speaks of chapter 7: there are 1"):
        scanned(alone, tmp_path, stockfish, side="7=white")
