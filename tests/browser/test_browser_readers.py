"""report.html for every reader: keyboard, paper, phone, screen reader, and hostile text, in a real browser."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from shutil import which
from typing import Any

import pytest

from tests.browser.browser_pages import Visit, faults
from tests.report.sample_scans import HOSTILE, hostile_scan, trap_scan
from trapscan.report import compare, comparison_html, lesson, write_lesson
from trapscan.sanitize import sanitize

pytestmark = pytest.mark.browser


def test_all_of_it_by_keyboard(visit: Visit, pages: dict[str, Path]) -> None:
    page = visit().open(pages["traps"], "#kind=bait,unsound")
    page.locator("body").click(position={"x": 1, "y": 1})
    wanted = page.evaluate(
        "[...document.querySelectorAll('a[href], button, input, select, summary, [tabindex=\"0\"]')]"
        ".filter((n) => n.checkVisibility() && !n.disabled && !(n.type === 'radio' && !n.checked))"
        ".map((n, i) => (n.dataset.seen = i, n.id || n.textContent || n.name)).length"
    )
    seen: set[str] = set()
    for _ in range(wanted + 10):
        page.keyboard.press("Tab")
        number = page.evaluate("document.activeElement.dataset.seen")
        if number is not None:
            seen.add(number)
    assert len(seen) == wanted
    page.locator("#level").focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(60)
    assert page.locator("#level-out").text_content() == "1600"
    stage = page.locator(".stage")
    stage.first.focus()
    page.keyboard.press("PageDown")
    assert page.evaluate("document.activeElement === document.querySelectorAll('.stage')[1]")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline == "solid", "the focus is seen"


def test_paper(visit: Visit, pages: dict[str, Path], tmp_path: Path) -> None:
    """Printed to PDF, every shown card is there with its board, and none is split. Read back by poppler."""
    if which("pdftotext") is None:
        pytest.skip("poppler-utils is not installed")
    scan = trap_scan()
    page = visit().open(pages["traps"])
    assert page.evaluate("order.some((card) => !card.drawn)"), "some boards are still to be drawn"
    page.pdf(path=tmp_path / "report.pdf", format="A4")
    assert page.evaluate("order.every((card) => card.drawn)")
    text = subprocess.run(
        ["pdftotext", "-layout", tmp_path / "report.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    sheets = text.split("\f")
    heads = [len(re.findall(r"^\s*(?:trick|pitfall|unsound|bait)(?:, \w+)*:", sheet, re.M)) for sheet in sheets]
    curves = [sheet.count("chance over level") for sheet in sheets]
    bodies = [len(re.findall(r"^.*\bRefutation\b|\bContinuation\b", sheet, re.M)) for sheet in sheets]
    assert sum(heads) == len(scan.findings)
    assert heads == curves == bodies, "title, board and words of a card stand on one sheet"


@pytest.mark.parametrize("name", ["traps", "hostile", "bulk"])
@pytest.mark.parametrize("width", [320, 390, 768])
def test_no_sideways_scrolling(visit: Visit, pages: dict[str, Path], name: str, width: int) -> None:
    page = visit(width=width, height=700).open(pages[name])
    assert page.evaluate("document.scrollingElement.scrollWidth") <= width
    page.evaluate("document.getElementById('filters').open = true")
    page.get_by_role("radio", name="along the lines").check()
    page.wait_for_timeout(60)
    assert page.evaluate("document.scrollingElement.scrollWidth") <= width


def test_hostile_text_is_text(visit: Visit, pages: dict[str, Path], tmp_path: Path) -> None:
    """No script runs, nothing leaves the page (the fixture holds every request), and each text is shown as it is."""
    page = visit().open(pages["hostile"])
    for summary in page.locator("header summary").all():
        summary.click()
    page.wait_for_timeout(300)
    assert page.title().startswith("<script>") and page.title() != "owned"
    text = page.locator("body").inner_text()
    for hostile in HOSTILE:
        assert sanitize(hostile) in " ".join(text.split())
    assert page.locator("img, iframe, object, embed, link, body script:not(#data):not([type])").count() <= 1
    assert page.locator("script").count() == 2
    for index in range(page.locator("article").count()):
        page.locator("article .stage").nth(index).focus()
        page.keyboard.press("End")
    page.get_by_role("radio", name="along the lines").check()
    page.wait_for_timeout(100)
    assert page.title() != "owned"


def test_the_content_policy_holds(browser: Any, pages: dict[str, Path]) -> None:
    """Even if a text became markup, its script, style and requests would be refused."""
    page = browser.new_context().new_page()
    left: list[str] = []

    def hold(route: Any) -> None:
        left.append(route.request.url)
        route.abort()

    page.goto(pages["traps"].as_uri())
    page.route("**/*", hold)
    page.evaluate(
        """() => {
            const bad = document.createElement('script');
            bad.textContent = "document.title = 'owned'";
            document.body.append(bad);
            document.body.insertAdjacentHTML('beforeend',
              '<img src="https://evil.example/a.png" onerror="document.title=1">'
              + '<a id="go" href="javascript:document.title=2">x</a><iframe src="https://evil.example/"></iframe>');
            document.getElementById('go').click();
            fetch('https://evil.example/b').catch(() => 0);
        }"""
    )
    page.wait_for_timeout(300)
    assert page.title() == "Documented traps"
    assert [url for url in left if "evil" in url] == []
    page.context.close()


@pytest.mark.parametrize("name", ["traps", "hostile", "none"])
@pytest.mark.parametrize("width", [390, 1200])
def test_no_serious_accessibility_fault(visit: Visit, pages: dict[str, Path], axe: str, name: str, width: int) -> None:
    page = visit(width=width).open(pages[name])
    page.evaluate("document.getElementById('filters').open = true")
    for view in ("by toll", "along the lines"):
        page.get_by_role("radio", name=view).check()
        page.wait_for_timeout(100)
        assert faults(page, axe) == []


def test_sheets_and_comparison(visit: Visit, axe: str, tmp_path: Path) -> None:
    made = lesson(trap_scan(), level=1400, count=12, title="<script>document.title='owned'</script>")
    paths = [path for path in write_lesson(made, tmp_path) if path.suffix == ".html"]
    paths.append(tmp_path / "changes.html")
    paths[-1].write_text(comparison_html(compare(trap_scan(), hostile_scan())), encoding="utf-8")
    for path in paths:
        for width in (360, 1000):
            page = visit(width=width).open(path)
            assert page.evaluate("document.scrollingElement.scrollWidth") <= width
            assert page.title() != "owned" and page.locator("script").count() == 0
            assert page.locator("svg.board").first.evaluate("(node) => node.getBoundingClientRect().height") > 100
            assert faults(page, axe) == []
