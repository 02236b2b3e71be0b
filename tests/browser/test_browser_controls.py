"""report.html in a real browser: level, filters, address, groups, a thousand findings."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest

from tests.browser.browser_pages import Visit, expected, set_level, shown
from tests.report.sample_scans import bulk_scan, disputed_scan, trap_scan
from trapscan.contract import Finding
from trapscan.levels import Lens
from trapscan.order import ranked, toll_at
from trapscan.report import write_reports
from trapscan.report.present import Presentation
from trapscan.report.rows import FIGURES
from trapscan.report.text import points

pytestmark = pytest.mark.browser


def test_the_order_is_the_librarys_at_every_level(visit: Visit, pages: dict[str, Path]) -> None:
    page, scan = visit().open(pages["traps"]), trap_scan()
    assert shown(page) == expected(scan, 1500)
    for level in (1000, 1400, 1500, 2000, 2400):
        set_level(page, level)
        assert shown(page) == expected(scan, level)
        assert page.locator("#level-out").text_content() == str(level)
        first = scan.findings[[f.id for f in scan.findings].index(shown(page)[0])]
        figures = Presentation.of(scan, level=level).entry(first).figures
        assert page.locator("article dl.figures b").first.text_content() == figures["often"]


def test_the_head_is_the_librarys_at_every_level(visit: Visit, tmp_path: Path) -> None:
    """Every slip twice, in nearly the same positions: the page leaves out what Markdown and the terminal leave out."""
    scan = trap_scan()
    good = [
        msgspec.structs.replace(each, worth=(0.9,) * 8, chance=(0.2,) * 8, reach=(0.1,) * 8, idea=f"{name} {each.id}")
        for each in scan.slips
        for name in ("one", "other")
    ]
    good = [
        msgspec.structs.replace(each, id=each.idea.replace(" ", "-"), fen=f"{each.fen[:-1]}{9 if place % 2 else 8}")
        for place, each in enumerate(good)
    ]
    scan = msgspec.structs.replace(scan, findings=tuple(good))
    page = visit().open(write_reports(scan, tmp_path)[0])
    for level in (1000, 1500, 2400):
        set_level(page, level)
        of_sections = [section.first for section in Presentation.of(scan, level=level).sections(12)]
        titles = [entry.title for first in of_sections for entry in first]
        assert page.locator("#first-lists li a").all_text_contents() == titles
        assert any(first and len(first) < 12 for first in of_sections)


def test_the_slider_stops_at_the_scans_levels_and_the_chosen_one(
    visit: Visit, pages: dict[str, Path], tmp_path: Path
) -> None:
    """Each stop's order, figures and words are the library's; a level between two stops becomes the nearest."""
    page, scan = visit().open(pages["traps"]), trap_scan()
    assert page.evaluate("DATA.stops") == [1000, 1200, 1400, 1500, 1600, 1800, 2000, 2200, 2400]
    between = visit().open(pages["traps"], "#level=1290")
    assert between.locator("#level-out").text_content() == "1200" and shown(between) == expected(scan, 1200)
    odd = visit().open(write_reports(scan, tmp_path, level=1290)[0])
    assert odd.locator("#level-out").text_content() == "1290" and shown(odd) == expected(scan, 1290)
    assert odd.locator("#level").get_attribute("aria-valuetext") == "1290"
    beyond = visit().open(write_reports(scan, tmp_path, level=800)[0])
    assert beyond.locator("#level-out").text_content() == "1000"
    for level in (1000, 2200):
        set_level(page, level)
        entry = Presentation.of(scan, level=level).entry(scan.baits[0])
        card = page.locator("article", has=page.locator("h3", has_text=entry.title))
        card.scroll_into_view_if_needed()
        page.wait_for_timeout(60)
        assert card.locator("dl.figures b").all_text_contents() == [
            entry.figures[kind.key] for kind in FIGURES if kind.card
        ]
        assert entry.row("balance") in card.text_content() and entry.row("tricks") in card.text_content()


def test_a_sum_of_tolls_is_written_as_the_library_writes_it(visit: Visit, pages: dict[str, Path]) -> None:
    page = visit().open(pages["none"])
    some = [
        0,
        1,
        9_999,
        10_000,
        14_999,
        15_000,
        125_000,
        135_000,
        145_000,
        9_994_999,
        9_995_000,
        10_050_000,
        123_450_001,
    ]
    assert page.evaluate("(tolls) => tolls.map(points)", some) == [points(toll) for toll in some]


def test_every_filter(visit: Visit, pages: dict[str, Path]) -> None:
    page, scan = visit().open(pages["traps"]), trap_scan()
    clear = page.get_by_role("button", name="Clear filters")

    def check(keep: Callable[[Finding], bool]) -> None:
        wanted = expected(scan, 1500, keep)
        assert wanted and len(wanted) < len(scan.findings), "the filter must make a difference"
        assert shown(page) == wanted
        assert page.locator("#status").text_content().startswith(f"{len(wanted)} of {len(scan.findings)} ")
        clear.click()
        assert shown(page) == expected(scan, 1500)

    page.get_by_role("checkbox", name="Tricks to set").check()
    check(lambda f: f.kind == "trick")
    page.get_by_role("checkbox", name="Baits").check()
    page.get_by_role("checkbox", name="Repair first").check()
    check(lambda f: f.kind in ("bait", "unsound"))
    page.get_by_role("combobox", name="Who goes wrong").select_option("black")
    check(lambda f: f.victim == "black")
    page.get_by_role("combobox", name="Motif").select_option("fork")
    check(lambda f: "fork" in f.motifs)
    page.get_by_role("combobox", name="Gain").select_option("queen")
    check(lambda f: f.gain == "queen")
    page.get_by_role("combobox", name="Opening").select_option("Najdorf")
    check(lambda f: f.opening is not None and f.opening.name == "Najdorf")
    page.get_by_role("checkbox", name="must be known").check()
    check(lambda f: Lens(scan.levels, 1500).flag(f.must_know))
    page.get_by_role("searchbox", name="Text").fill("najdorf QXB2")
    check(lambda f: f.opening is not None and f.opening.name == "Najdorf" and f.move.san == "Qxb2")
    page.get_by_role("searchbox", name="Text").fill("no such words")
    assert shown(page) == [] and page.locator("#none").is_visible()


def test_the_state_lives_in_the_address(visit: Visit, pages: dict[str, Path]) -> None:
    page, scan = visit().open(pages["traps"]), trap_scan()
    set_level(page, 1800)
    page.get_by_role("combobox", name="Who goes wrong").select_option("black")
    page.get_by_role("searchbox", name="Text").fill("najdorf")
    page.get_by_role("combobox", name="Boards seen by").select_option("black")
    before = shown(page)
    address = page.evaluate("location.href")
    again = visit().open(pages["traps"], "#" + address.split("#")[1])
    assert (
        shown(again)
        == before
        == expected(scan, 1800, lambda f: f.victim == "black" and f.opening is not None and f.opening.name == "Najdorf")
    )
    assert again.get_by_role("combobox", name="Boards seen by").input_value() == "black"
    assert again.locator("#level-out").text_content() == "1800"
    again.evaluate("location.hash = '#level=1200'")
    assert shown(again) == expected(scan, 1200)
    odd = visit().open(pages["traps"], "#level=abc&kind=x,trick&wrong=<b>&motif=zzz&view=9&at=%3Cimg%3E")
    assert shown(odd) == expected(scan, 1500, lambda f: f.kind == "trick")
    target = expected(scan, 1500)[20]
    there = visit().open(pages["traps"], f"#at={target}")
    focused = there.evaluate("DATA.findings[Number(document.activeElement.closest('article').id.slice(1))].id")
    assert focused == target


def test_a_thousand_findings(visit: Visit, pages: dict[str, Path]) -> None:
    page, scan = visit().open(pages["bulk"]), bulk_scan()
    assert len(shown(page)) == 80
    more = page.locator("#s-trick .more")
    tricks = expected(scan, 1500, lambda f: f.kind == "trick")
    assert f"{len(tricks) - 40} more" in more.text_content()
    more.get_by_role("button", name="Show 40 more").click()
    assert shown(page) == tricks[:80] + expected(scan, 1500, lambda f: f.kind == "pitfall")[:40]
    for kind in ("trick", "pitfall"):
        page.locator(f"#s-{kind}").get_by_role("button", name="Show all").click()
    assert shown(page) == expected(scan, 1500)
    assert page.evaluate("CARDS.filter((card) => card.drawn).length") < 200, "boards wait until they come into view"
    set_level(page, 2000)
    assert shown(page) == expected(scan, 2000)


def test_what_a_second_engine_denies_is_a_section_and_a_filter(visit: Visit, pages: dict[str, Path]) -> None:
    page, scan = visit().open(pages["disputed"]), disputed_scan()
    assert shown(page) == expected(scan, 1500)
    last = page.locator("#cards section:not([hidden])").last
    assert last.locator("h2").text_content().startswith("Where the engines disagree")
    assert last.locator("article").count() == sum(f.disputed for f in scan.findings) > 5
    assert "disputed:" in last.locator("h3").first.text_content()
    assert "Second 1.0 does not agree" in last.locator("article").first.text_content()
    page.get_by_role("checkbox", name="Where the engines disagree").check()
    assert shown(page) == expected(scan, 1500, lambda f: f.disputed)
    page.get_by_role("checkbox", name="Where the engines disagree").uncheck()
    page.get_by_role("checkbox", name="Tricks to set").check()
    assert shown(page) == expected(scan, 1500, lambda f: f.kind == "trick" and not f.disputed)


def test_groups_by_opening(visit: Visit, pages: dict[str, Path]) -> None:
    """Headings with ECO codes and names; the opening with most toll first, five cards of each at first, by toll."""
    scan = bulk_scan()
    for level in (1500, 2200):
        page = visit().open(pages["bulk"], f"#view=openings&level={level}")
        groups: dict[str, list[Finding]] = {}
        for finding in ranked(scan.findings, Lens(scan.levels, level), "toll"):
            groups.setdefault(finding.opening.name.split(":")[0] if finding.opening else "", []).append(finding)
        tolls = {name: sum(toll_at(f, Lens(scan.levels, level)) for f in inside) for name, inside in groups.items()}
        names = sorted(groups, key=lambda name: -tolls[name])
        assert shown(page) == [finding.id for name in names for finding in groups[name][:5]]
        codes = [sorted(f.opening.eco for f in groups[name] if f.opening) for name in names]
        assert page.locator("#cards h2").all_text_contents() == [
            f"{eco[0]}\u2013{eco[-1]} {name} {len(groups[name])}" for name, eco in zip(names, codes, strict=True)
        ]
        assert page.locator("#cards .about").first.text_content() == f"Toll {points(tolls[names[0]])} in all."
    page.locator("#cards section").first.get_by_role("button", name="Show all").click()
    assert shown(page)[: len(groups[names[0]])] == [finding.id for finding in groups[names[0]]]


def test_an_empty_report(visit: Visit, pages: dict[str, Path]) -> None:
    page = visit().open(pages["none"])
    assert shown(page) == [] and page.locator("#none").is_visible()
