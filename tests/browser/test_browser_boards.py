"""The boards of report.html in a real browser: moves, steps, shapes, look-alikes, baits."""

from __future__ import annotations

from pathlib import Path

import chess
import pytest

from tests.browser.browser_pages import Visit, moves, shown, special_scan
from tests.report.sample_scans import trap_scan
from trapscan.report.text import position_words

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("name", ["traps", "special"])
def test_each_move_on_the_board_is_the_one_of_python_chess(visit: Visit, pages: dict[str, Path], name: str) -> None:
    scan = {"traps": trap_scan, "special": special_scan}[name]()
    page = visit().open(pages[name])
    by_id = {finding.id: finding for finding in scan.slips}
    for index, finding_id in enumerate(shown(page)):
        finding = by_id.get(finding_id)
        if finding is None or finding.refutation is None:
            continue
        node = page.locator("article").nth(index)
        stage = node.locator(".stage")
        stage.scroll_into_view_if_needed()
        stage.focus()
        label = stage.locator("svg")
        board = chess.Board(finding.fen)
        assert label.get_attribute("aria-label").endswith(position_words(board))
        for san in (finding.slip.san, *finding.refutation.line):
            board.push_san(san)
            page.keyboard.press("ArrowRight")
            assert label.get_attribute("aria-label") == position_words(board)
        assert node.get_by_role("button", name="Next").is_disabled()
        page.keyboard.press("Home")
        board = chess.Board(finding.start_fen)
        for san in finding.line:
            board.push_san(san)
        for _ in range(min(len(finding.line), 20 if name == "special" else 3)):
            page.keyboard.press("ArrowLeft")
            board.pop()
            assert label.get_attribute("aria-label") == position_words(board)


def test_buttons_step_and_turn(visit: Visit, pages: dict[str, Path]) -> None:
    page, scan = visit().open(pages["traps"]), trap_scan()
    finding = next(f for f in scan.slips if f.id == shown(page)[0])
    assert finding.refutation
    node = page.locator("article").first
    label = node.locator(".stage svg")
    end = chess.Board(finding.fen)
    for san in (finding.slip.san, *finding.refutation.line):
        end.push_san(san)
    node.get_by_role("button", name="End").click()
    assert label.get_attribute("aria-label") == position_words(end)
    end.pop()
    node.get_by_role("button", name="Back").click()
    assert label.get_attribute("aria-label") == position_words(end)
    node.locator(".move").nth(0).click()
    assert node.locator("[aria-current]").text_content().startswith(f"{chess.Board(finding.fen).fullmove_number}.")
    node.get_by_role("button", name="Position").click()
    assert label.get_attribute("aria-label").endswith(position_words(chess.Board(finding.fen)))
    corner = node.locator(".stage .coordinate").first
    ours = "h" if finding.owner == "black" else "a"
    assert corner.text_content() == ours
    node.get_by_role("button", name="Turn").click()
    assert corner.text_content() == ("a" if ours == "h" else "h")
    for choice, side in (("wrong", finding.victim), ("white", "white"), ("black", "black"), ("ours", finding.owner)):
        page.get_by_role("combobox", name="Boards seen by").select_option(choice)
        assert corner.text_content() == ("h" if side == "black" else "a")


def test_slip_and_refutation_differ_in_shape_and_line(visit: Visit, pages: dict[str, Path]) -> None:
    page = visit().open(pages["traps"])
    stage = page.locator("article .stage").first
    assert stage.locator(".slip .ring").count() == 1 and stage.locator(".slip .point").count() == 0
    assert stage.locator(".refutation .point").count() == 1 and stage.locator(".refutation .ring").count() == 0
    dash = "(node) => getComputedStyle(node).strokeDasharray"
    assert stage.locator(".slip .stroke").evaluate(dash) != "none"
    assert stage.locator(".refutation .stroke").evaluate(dash) == "none"


def test_look_alikes_and_curve(visit: Visit, pages: dict[str, Path]) -> None:
    page, scan = visit().open(pages["traps"]), trap_scan()
    by_id = {finding.id: finding for finding in scan.slips}
    for index, finding_id in enumerate(shown(page)[:6]):
        node, finding = page.locator("article").nth(index), by_id[finding_id]
        node.scroll_into_view_if_needed()
        page.wait_for_timeout(50)
        figures = node.locator(".twins figure")
        assert figures.count() == (len(finding.look_alikes) + 1 if finding.look_alikes else 0)
        for twin in range(figures.count()):
            assert figures.nth(twin).locator("rect.mark").count() == len(finding.look_alikes[0].squares)
        words = node.locator(".curve").get_attribute("aria-label")
        for level in scan.levels:
            assert f"{level} " in words


def test_a_bait_plays_each_of_its_tricks(visit: Visit, pages: dict[str, Path]) -> None:
    page = visit().open(pages["traps"], "#kind=bait")
    node = page.locator("article")
    node.get_by_role("button", name="End").click()
    board = chess.Board()
    for san in moves("e4 e5 Nf3 Nc6 Bc4 Nd4 Nxe5 Qg5 Nxf7 Qxg2 Rf1 Qxe4+ Be2 Nf3#"):
        board.push_san(san)
    assert node.locator(".stage svg").get_attribute("aria-label") == position_words(board)
    node.get_by_role("combobox", name="Continuation").select_option(label="If they do not fall for it")
    node.get_by_role("button", name="End").click()
    assert node.locator(".said").text_content() == "4...exd4"
    assert "balance" in node.text_content()
