"""Lessons and comparisons."""

from __future__ import annotations

import html
import subprocess
from pathlib import Path
from shutil import which

import chess
import chess.pgn
import msgspec
import pytest

from tests.report.sample_scans import HOSTILE, bulk_scan, hostile_scan, trap_scan
from trapscan.contract import MoveText, Nature, Refutation, SlipKind
from trapscan.errors import ReportError
from trapscan.levels import Lens
from trapscan.order import section_of
from trapscan.report import compare, comparison_html, comparison_text, lesson, write_lesson
from trapscan.report.lessons import Candidate, Lesson, alike, difficulty
from trapscan.report.sheets import answers, questions


def ids(made: Lesson) -> list[str]:
    return [finding.id for finding in made.findings]


def test_a_lesson_of_twelve() -> None:
    scan = trap_scan()
    made = lesson(scan, level=1400, count=12)
    assert len(set(ids(made))) == 12
    assert ids(made) == ids(lesson(scan, level=1400, count=12))
    hard = [difficulty(finding, Lens(scan.levels, 1400)) for finding in made.findings]
    assert hard == sorted(hard)
    for index, one in enumerate(made.findings):
        for other in made.findings[:index]:
            assert not alike(Candidate.of(one), Candidate.of(other))
    first_motifs = [finding.motifs[0] for finding in made.findings]
    assert len(set(first_motifs)) >= 6, "motifs are mixed"


def test_no_two_alike_even_in_a_crowd() -> None:
    scan = trap_scan()
    base = next(finding for finding in scan.findings if finding.kind == "pitfall")
    crowd = tuple(
        msgspec.structs.replace(base, id=f"c{number}", worth=tuple(0.96 for _ in base.worth), met=base.worth)
        for number in range(20)
    )
    made = lesson(msgspec.structs.replace(scan, findings=(*crowd, *scan.findings)), level=1400, count=12)
    assert sum(finding.fen == base.fen for finding in made.findings) == 1


def test_a_lesson_takes_what_stands_highest_and_only_what_is_lost_by_force() -> None:
    """One worth for report and lesson; other natures where they are asked for; of one idea one position."""
    scan = trap_scan()
    slips = [msgspec.structs.replace(f, idea="", worth=tuple(0.2 for _ in scan.levels)) for f in scan.slips]
    best = msgspec.structs.replace(slips[3], worth=tuple(0.9 for _ in scan.levels))
    offered = msgspec.structs.replace(slips[8], nature=Nature.GAMBIT, worth=best.worth)
    told = msgspec.structs.replace(scan, findings=tuple({f.id: f for f in (*slips, best, offered)}.values()))
    assert ids(lesson(told, level=1400, count=1)) == [best.id]
    assert offered.id not in ids(lesson(told, level=1400, count=12))
    assert ids(lesson(told, level=1400, count=12, natures=["gambit"])) == [offered.id]
    shared = tuple(msgspec.structs.replace(f, idea="one") for f in told.findings if section_of(f) == "trick")
    assert len(shared) > 1
    assert len(ids(lesson(msgspec.structs.replace(scan, findings=shared), level=1400, count=12))) == 1
    with pytest.raises(ReportError, match="no nature"):
        lesson(told, level=1400, count=1, natures=["slow"])


def test_other_slips_of_the_position_are_told_to_the_coach() -> None:
    scan = trap_scan()
    base = next(f for f in scan.slips if f.id.endswith("berlin-nxb5"))
    board = chess.Board(base.fen)
    board.push_san("h6")
    twin = msgspec.structs.replace(
        base,
        id="twin",
        slip=MoveText(san="h6", uci="h7h6"),
        refutation=Refutation(san="Nxc6", uci="d4c6" if board.piece_at(chess.D4) else "e5c6", line=()),
        chance=tuple(0.5 for _ in scan.levels),
    )
    made = lesson(msgspec.structs.replace(scan, findings=(base, twin)), level=1400, count=1, pin=[base.id])
    (item,) = answers(made).items
    assert dict(item.rows)["Fails too"] == "6...h6?? 7.Nxc6!"


def test_pins_drops_sides_motifs_and_seeds() -> None:
    scan = trap_scan()
    best = ids(lesson(scan, level=1400, count=6))
    out = next(finding.id for finding in scan.findings if finding.kind == "trick" and finding.id not in best)
    assert out in ids(lesson(scan, level=1400, count=6, pin=[out]))
    assert best[0] not in ids(lesson(scan, level=1400, count=6, drop=[best[0]]))
    assert {finding.victim for finding in lesson(scan, level=1400, count=6, side="white").findings} == {"white"}
    assert all("fork" in finding.motifs for finding in lesson(scan, level=1400, count=6, motifs=["Fork"]).findings)
    assert len({tuple(ids(lesson(scan, level=1400, count=6, seed=seed))) for seed in range(6)}) > 1
    for wrong in (
        {"pin": ["nobody"]},
        {"drop": ["nobody"]},
        {"count": 0},
        {"side": "green"},
        {"motifs": ["none such"]},
    ):
        with pytest.raises(ReportError):
            lesson(scan, **({"level": 1400, "count": 6} | wrong))
    bare = msgspec.structs.replace(next(f for f in scan.slips if f.id == best[0]), refutation=None)
    with pytest.raises(ReportError, match="cannot be pinned"):
        lesson(msgspec.structs.replace(scan, findings=(bare,)), level=1400, count=6, pin=[bare.id])


def test_a_bait_is_asked_about_once_it_is_played() -> None:
    """3...Nd4 in the Italian: what fails now, and what to do when they do not fall for it."""
    made = lesson(trap_scan(), level=1400, count=1, pin=["bait0"])
    (asked,), (told,) = questions(made).items, answers(made).items
    board = chess.Board()
    for san in ("e4", "e5", "Nf3", "Nc6", "Bc4", "Nd4"):
        board.push_san(san)
    assert asked.board.fen() == board.fen() and asked.heading == "White to move: which natural move fails, and to what?"
    rows = dict(told.rows)
    assert rows["Refutation"].startswith("4...Qg5") and rows["Instead"] == "4.Nxd4 (+0.90, then 4...exd4)"
    assert told.arrows == (("f3e5", "slip"), ("d8g5", "refutation"))


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_sheets(paper: str, tmp_path: Path) -> None:
    made = lesson(trap_scan(), level=1400, count=12, title="Thursday: Жук")
    paths = write_lesson(made, tmp_path / "a", paper)
    again = write_lesson(made, tmp_path / "b", paper)
    names = ["questions.html", "questions.pdf", "answers.html", "answers.pdf", "lesson.pgn", "lesson.epd"]
    assert [path.name for path in paths] == names
    for one, two in zip(paths, again, strict=True):
        assert one.read_bytes() == two.read_bytes()
    questions = paths[0].read_text(encoding="utf-8")
    for finding in made.findings:
        assert finding.refutation is not None
        assert f"{finding.refutation.san}!" not in questions, "no answer on the pupils' sheet"
        assert finding.why_it_fails not in questions
    with paths[4].open(encoding="utf-8") as handle:
        for finding in made.findings:
            game = chess.pgn.read_game(handle)
            assert game is not None and not game.errors and game.headers["FindingId"] == finding.id
    assert len(paths[5].read_text(encoding="utf-8").splitlines()) == 24


def test_the_pdf_in_the_eyes_of_another_reader(tmp_path: Path) -> None:
    """poppler's tools, as an outside reader of the PDF."""
    if which("pdftotext") is None or which("pdfinfo") is None:
        pytest.skip("poppler-utils is not installed")
    made = lesson(trap_scan(), level=1400, count=12, title="Thursday: Жук")
    sizes = {"a4": "595.28 x 841.89", "letter": "612 x 792"}
    for paper, size in sizes.items():
        paths = {path.name: path for path in write_lesson(made, tmp_path, paper)}
        info = subprocess.run(["pdfinfo", paths["questions.pdf"]], capture_output=True, text=True, check=True).stdout
        assert size in info and "Pages:           2" in info
        texts = {
            name: subprocess.run(["pdftotext", "-layout", paths[name], "-"], capture_output=True, text=True, check=True)
            for name in ("questions.pdf", "answers.pdf")
        }
        assert all(not run.stderr and "Thursday: Жук" in run.stdout for run in texts.values())
        assert texts["questions.pdf"].stdout.count("to move") == 12
        for finding in made.findings:
            assert finding.refutation is not None and finding.opening is not None
            assert finding.refutation.san in texts["answers.pdf"].stdout
            assert finding.opening.name not in texts["questions.pdf"].stdout


def test_hostile_titles_on_sheets(tmp_path: Path) -> None:
    for number, text in enumerate(HOSTILE):
        made = lesson(hostile_scan(), level=1400, count=8, title=text)
        for path in write_lesson(made, tmp_path / str(number)):
            if path.suffix == ".html":
                page = path.read_text(encoding="utf-8")
                assert "<script" not in page and "<img" not in page
                assert "default-src 'none'" in html.unescape(page)


def test_bad_paper(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="paper"):
        write_lesson(lesson(trap_scan(), level=1400, count=2), tmp_path, "a3")


def test_comparing_a_scan_with_itself() -> None:
    result = compare(trap_scan(), trap_scan())
    assert (result.added, result.gone, result.changed, result.notes) == ((), (), (), ())
    assert result.same == len(trap_scan().findings)
    assert "No finding is new, gone or changed" in comparison_html(result)


def test_new_gone_and_changed() -> None:
    old = trap_scan()
    findings = list(old.findings)
    trick = next(index for index, finding in enumerate(findings) if finding.kind == "trick")
    findings[trick] = msgspec.structs.replace(
        findings[trick], kind=SlipKind.UNSOUND, toll=tuple(3 * value for value in findings[trick].toll)
    )
    lost = findings.pop()
    new = msgspec.structs.replace(old, findings=tuple(findings), settings={"shown": 10, "threshold": 0.1})
    result = compare(old, new)
    assert result.gone == (lost,) and not result.added
    (change,) = result.changed
    assert change.what[0] == "trick, now unsound" and change.what[1].startswith("toll ")
    assert result.notes == ("setting shown: 40, now 10",)
    back = compare(new, old)
    assert back.added == (lost,)
    text = comparison_text(result)
    assert "1 gone" in text and "trick, now unsound" in text and "\x1b" not in text
    page = comparison_html(result)
    assert "trick, now unsound" in page and "<script" not in page


def test_hostile_comparison() -> None:
    page = comparison_html(compare(bulk_scan(5), hostile_scan()))
    assert "<script" not in page and "<img" not in page and "script-src" not in page
