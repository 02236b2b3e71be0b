"""report.html in a real browser: chapters and what is prepared, as filters, as groups, with their counts."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from tests.browser.browser_pages import Visit, expected, shown
from tests.report.sample_scans import CHAPTERS, chapter_scan, trap_scan
from trapscan.contract import Finding, SlipFinding
from trapscan.report import write_reports
from trapscan.report.filing import addition, additions
from trapscan.report.owned import STATES
from trapscan.report.present import Presentation

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_reports(chapter_scan(), tmp_path_factory.mktemp("chapters"))[0]


def test_a_chapter_is_a_filter_with_its_count(visit: Visit, report: Path) -> None:
    page, scan = visit().open(report), chapter_scan()
    held = Counter(number for finding in scan.findings for number in finding.chapters)
    choices = page.locator("#chapter option").all_text_contents()
    assert choices == ["any", *(f"{n + 1}. {chapter.title} ({held[n]})" for n, chapter in enumerate(CHAPTERS))]
    for number in (0, 6):
        page.get_by_role("combobox", name="Chapter").select_option(str(number + 1))
        inside = expected(scan, 1500, lambda f, number=number: number in f.chapters)  # type: ignore[misc]
        assert inside and shown(page) == inside
        assert page.locator("#status").text_content().startswith(f"{len(inside)} of {len(scan.findings)} ")
        cards = page.locator("article", has=page.locator("dt", has_text="Chapter"))
        assert cards.count() == len(inside)
        assert all(CHAPTERS[number].title in text for text in cards.all_text_contents())
    again = visit().open(report, "#" + page.evaluate("location.href").split("#")[1])
    assert shown(again) == inside
    page.get_by_role("button", name="Clear filters").click()
    assert shown(page) == expected(scan, 1500)


def test_chapters_are_groups_with_their_counts(visit: Visit, report: Path) -> None:
    page, scan = visit().open(report), chapter_scan()
    page.get_by_role("radio", name="by chapter").check()
    page.wait_for_timeout(60)
    held = Counter(number for finding in scan.findings for number in finding.chapters)
    heads = [text.strip() for text in page.locator("#cards h2").all_text_contents()]
    assert heads == [f"{number + 1}. {CHAPTERS[number].title} {held[number]}" for number in sorted(held)]
    abouts = page.locator("#cards .about").all_text_contents()
    assert [text.split(".")[0] for text in abouts] == ["For White"] * 5 + ["For Black"] * 5
    assert page.locator("#first").is_hidden() and page.locator("#add").is_hidden()


def test_what_is_prepared_is_a_filter_with_its_count(visit: Visit, report: Path) -> None:
    page, scan = visit().open(report), chapter_scan()
    counts = Counter(slip.state for slip in scan.slips)
    choices = page.locator("#state option").all_text_contents()
    assert choices == ["any", *(f"{words} ({counts[state]})" for state, words in STATES.items())]
    for state in STATES:
        page.get_by_role("combobox", name="In your file").select_option(state)

        def keep(finding: Finding, state: str = state) -> bool:
            return isinstance(finding, SlipFinding) and finding.state == state

        assert shown(page) == expected(scan, 1500, keep)


def test_what_to_add_is_the_librarys_list_and_leads_to_the_card(visit: Visit, report: Path) -> None:
    page, scan = visit().open(report), chapter_scan()
    wanted = [addition(entry.finding) for entry in additions(Presentation.of(scan))]
    page.locator("#add summary").click()
    links = page.locator("#add-list li a")
    assert links.all_text_contents() == wanted[:12]
    page.get_by_role("button", name=f"Show all {len(wanted)}").click()
    page.wait_for_timeout(60)
    assert links.all_text_contents() == wanted
    links.nth(3).click()
    page.wait_for_timeout(60)
    here = page.evaluate("DATA.findings[Number(document.activeElement.closest('article').id.slice(1))].add")
    assert here == wanted[3]


def test_the_authors_words_stand_on_the_card_as_text(visit: Visit, report: Path) -> None:
    page = visit().open(report)
    marked = page.locator("article", has_text="You marked this ??: right, it ").first
    assert "<b>it</b>\u201d" in marked.text_content() and marked.locator("dd b", has_text="it").count() == 0


def test_a_scan_without_chapters_has_no_such_filter(visit: Visit, tmp_path: Path) -> None:
    page = visit().open(write_reports(trap_scan(), tmp_path)[0], "#chapter=3&view=chapters")
    assert shown(page) == expected(trap_scan(), 1500)
    assert page.locator("#chapter").count() == 0 and page.get_by_role("radio", name="by chapter").count() == 0
