"""The tree of the repertoire in a real browser."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import chess
import msgspec
import pytest

from tests.browser.browser_pages import Visit
from tests.report.sample_scans import QUIET_LINES, make_scan, trap_scan
from trapscan.contract import MoveTree
from trapscan.levels import Lens
from trapscan.order import ranked, toll_at
from trapscan.report import write_reports
from trapscan.report.rows import SECTIONS
from trapscan.report.text import points, position_words
from trapscan.report.words import title_of

pytestmark = pytest.mark.browser


def open_tree(visit: Visit, path: Path, address: str = "#view=lines") -> Any:
    page = visit().open(path, address)
    page.get_by_role("button", name="Open all").click()
    return page


def rows(page: Any) -> list[tuple[int, str, str]]:
    """Depth, moves (without numbers) and words of each row, findings left out."""
    found = page.evaluate(
        """[...document.querySelectorAll('#lines [role=treeitem]:not(.leaf)')].map((item) => [
            Number(item.ariaLevel), item.querySelector('.path').textContent,
            [...item.querySelectorAll('small')].map((small) => small.textContent).join(' | ')])"""
    )
    return [(depth, re.sub(r"\d+\.+", "", path), words) for depth, path, words in found]


def whole_lines(page: Any) -> set[str]:
    """The line down to the end of each row."""
    way: list[str] = []
    lines = set()
    for depth, path, _ in rows(page):
        way[depth - 1 :] = [path]
        lines.add(" ".join(way))
    return lines


def repertoire() -> set[tuple[str, ...]]:
    return {f.line for f in trap_scan().findings} | {tuple(line.split()) for line in QUIET_LINES}


def test_it_is_the_repertoires_own_tree(visit: Visit, pages: dict[str, Path]) -> None:
    """Every line is there, those without findings too, and nothing else."""
    page = open_tree(visit, pages["traps"])
    shown_lines, lines = whole_lines(page), {" ".join(line) for line in repertoire()}
    assert all(any(one.startswith(line) for one in shown_lines) for line in lines)
    assert all(any(line.startswith(one) for line in lines) for one in shown_lines)
    found = {" ".join(finding.line) for finding in trap_scan().findings}
    page.get_by_role("checkbox", name="leave out lines without findings").check()
    page.wait_for_timeout(60)
    assert found <= whole_lines(page)
    assert all(any(line.startswith(one) for line in found) for one in whole_lines(page))
    assert "found=1" in page.evaluate("location.hash")


@pytest.mark.parametrize("level", [1500, 2000])
def test_counts_and_worst_toll_of_each_branch(visit: Visit, pages: dict[str, Path], level: int) -> None:
    scan = trap_scan()
    page = open_tree(visit, pages["traps"], f"#view=lines&level={level}")
    way: list[str] = []
    checked = 0
    for depth, path, words in rows(page):
        way[depth - 1 :] = [path]
        below = " ".join(way[: depth - 1] + path.split()[:1])
        inside = [f for f in scan.findings if (" ".join(f.line) + " ").startswith(below + " ")]
        tolls = [toll_at(f, Lens(scan.levels, level)) for f in inside]
        counted = [(s.key, sum(f.kind == s.key for f in inside)) for s in SECTIONS]
        told = ", ".join(f"{n} {kind}{'s' if n > 1 and kind != 'unsound' else ''}" for kind, n in counted if n)
        if inside:
            worst = f", worst {points(max(tolls))}" if len(inside) > 1 else ""
            assert words.split(" | ")[0] == f"{told}; toll {points(sum(tolls))}{worst}"
            checked += 1
        else:
            assert "toll" not in words
    assert checked > 30


def test_it_leads_to_the_cards(visit: Visit, pages: dict[str, Path]) -> None:
    page = open_tree(visit, pages["traps"])
    assert not page.locator("#cards").is_visible()
    leaves = page.locator("#lines .leaf")
    assert leaves.count() == len(trap_scan().findings)
    title = leaves.nth(7).locator(".title").text_content()
    leaves.nth(7).click()
    assert page.locator("#cards").is_visible()
    assert page.evaluate("document.activeElement.closest('article').querySelector('h3 bdi').textContent") == title


def test_it_opens_down_to_the_highest_toll(visit: Visit, pages: dict[str, Path]) -> None:
    page, scan = visit().open(pages["traps"], "#view=lines"), trap_scan()
    worst = ranked(scan.findings, Lens(scan.levels, 1500), "toll")[0]
    assert page.locator("#lines .leaf .title").filter(has_text=title_of(worst)).count() >= 1


def test_by_keyboard_and_in_words(visit: Visit, pages: dict[str, Path]) -> None:
    """The keys of the tree pattern (WAI-ARIA Authoring Practices, tree view), and the board beside it in words."""
    page = visit().open(pages["traps"], "#view=lines")
    page.get_by_role("button", name="Close all").click()
    page.get_by_role("checkbox", name="leave out").focus()
    page.keyboard.press("Tab")
    here = "document.activeElement.id"
    level = "Number(document.activeElement.getAttribute('aria-level'))"
    expanded = "document.activeElement.getAttribute('aria-expanded')"
    assert page.evaluate(level) == 1 and page.locator("#lines [tabindex='0']").count() == 1
    first = page.evaluate(here)
    assert page.evaluate(expanded) == "false"
    page.keyboard.press("ArrowRight")
    assert page.evaluate(expanded) == "true" and page.evaluate(here) == first
    page.keyboard.press("ArrowRight")
    assert page.evaluate(level) == 2
    words = page.evaluate("document.activeElement.querySelector('.path').textContent")
    board = chess.Board()
    above = page.evaluate("document.querySelector('#lines [role=treeitem] .path').textContent")
    for san in re.sub(r"\d+\.+", "", f"{above} {words}").split():
        board.push_san(san)
    assert page.locator("#tree-board").get_attribute("aria-label") == position_words(board)
    page.keyboard.press("ArrowLeft")
    if page.evaluate(level) == 2:  # it was open, now it is closed
        page.keyboard.press("ArrowLeft")
    assert page.evaluate(here) == first
    page.keyboard.press("End")
    assert page.evaluate(here) != first
    page.keyboard.press("Home")
    assert page.evaluate(here) == first
    page.keyboard.press("ArrowLeft")
    assert page.evaluate(expanded) == "false"
    page.get_by_role("button", name="Open all").click()
    leaf = page.locator("#lines .leaf").first
    leaf.focus()
    page.keyboard.press("Enter")
    assert page.locator("#cards").is_visible() and page.evaluate("document.activeElement.className") == "stage"


def test_a_move_that_joins_another_line(visit: Visit, pages: dict[str, Path]) -> None:
    """1.b3 e5 2.Bb2 d6 and 1.b3 d6 2.Bb2 e5 are one position: it goes on in one place, and the other leads there."""
    page = open_tree(visit, pages["traps"])
    joins = page.locator("#lines [role=treeitem]", has=page.locator(".joins"))
    row = joins.filter(has_text="d6 2.Bb2 e5").last
    assert "goes on at … 1...e5 2.Bb2 d6" in row.text_content()
    row.click()
    page.wait_for_timeout(60)
    text = page.evaluate("document.activeElement.querySelector('.path').textContent")
    assert text == "1...e5 2.Bb2 d6 3.e3"
    board = chess.Board()
    for san in ["b3", "e5", "Bb2", "d6", "e3"]:
        board.push_san(san)
    assert page.locator("#tree-board").get_attribute("aria-label") == position_words(board)


def test_without_a_tree_the_findings_lines_are_shown(visit: Visit, tmp_path: Path) -> None:
    """A scan.json written before it carried the tree."""
    scan = msgspec.structs.replace(trap_scan(), tree=())
    page = open_tree(visit, write_reports(scan, tmp_path)[0])
    assert page.locator("#lines .leaf").count() == len(scan.findings)
    assert page.locator("#lines .path.past").count() == page.locator("#lines .path").count()


def test_start_positions_of_their_own(visit: Visit, tmp_path: Path) -> None:
    fens = [chess.STARTING_FEN, "4k3/8/8/8/8/8/4P3/4K3 b - - 0 12"]
    scan = make_scan((), tree=(MoveTree(start_fen=fens[0], moves="e4 e5"), MoveTree(start_fen=fens[1], moves="Kd7 e4")))
    page = open_tree(visit, write_reports(scan, tmp_path)[0])
    shown = "document.querySelector('#lines').innerText.replace(/\\s+/g, ' ').includes('12...Kd7 13.e4')"
    page.wait_for_function(shown)  # a click is answered with the next frames
    text = " ".join(page.locator("#lines").inner_text().split())
    assert f"From {fens[1]}" in text and "12...Kd7 13.e4" in text and "1.e4 e5" in text
