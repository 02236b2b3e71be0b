"""report.html in a real browser: every control, the moves on the boards, paper, phone, hostile text."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from shutil import which
from typing import Any

import chess
import msgspec
import pytest
from sample_scans import HOSTILE, bulk_scan, disputed_scan, hostile_scan, make_scan, trap_finding, trap_scan, traps

from trapscan.levels import at_level
from trapscan.model import Finding, MoveText, Refutation, Scan
from trapscan.plain import plain
from trapscan.report import compare, comparison_html, lesson, write_lesson, write_reports
from trapscan.report.levels import by_toll, must_know_at
from trapscan.report.text import position_words
from trapscan.report.view import SECTIONS, owner, section_of

pytestmark = pytest.mark.browser

Visit = Callable[..., Any]


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    scans = {
        "traps": trap_scan(),
        "hostile": hostile_scan(),
        "bulk": bulk_scan(),
        "special": special_scan(),
        "disputed": disputed_scan(),
        "none": make_scan(()),
    }
    return {name: write_reports(scan, tmp_path_factory.mktemp(name))[0] for name, scan in scans.items()}


def moves(text: str) -> list[str]:
    return text.split()


def special_scan() -> Scan:
    """Castling on both sides, a capture en passant and an under-promotion, on the way and in the continuation."""
    line = moves("e4 a6 e5 d5 exd6 Nf6 Nf3 g6 Be2 Bg7 O-O O-O dxc7 Nc6 d4 Bd7 d5 Na7")
    board = chess.Board()
    for san in line:
        board.push_san(san)
    finding = msgspec.structs.replace(
        trap_finding(traps()[0], 0),
        victim="white",
        fen=board.fen(en_passant="legal"),
        line=tuple(line),
        slip=MoveText(san="cxd8=N", uci="c7d8n"),
        refutation=Refutation(san="Rfxd8", uci="f8d8", line=("Rfxd8", "c4", "b5", "b4", "bxc4")),
        also=(),
        instead=(),
        look_alikes=(),
        cp_best=10,
        cp_slip=-300,
    )
    long = moves("e4 c5 Nf3 d6 d4 cxd4 Nxd4 Nf6 Nc3 g6 Be3 Bg7 f3 O-O Qd2 Nc6")
    board = chess.Board()
    for san in long:
        board.push_san(san)
    other = msgspec.structs.replace(
        finding,
        id="long castling",
        fen=board.fen(en_passant="legal"),
        line=tuple(long),
        slip=MoveText(san="O-O-O", uci="e1c1"),
        refutation=Refutation(san="Nxd4", uci="c6d4", line=("Nxd4", "Bxd4", "Be6")),
    )
    return make_scan((finding, other))


def expected(scan: Scan, level: float, keep: Callable[[Finding], bool] = lambda finding: True) -> list[str]:
    """The titles' ids in the page's order, by the library."""
    out = []
    for kind, _, _ in SECTIONS:
        out += [f.id for f in by_toll([f for f in scan.findings if section_of(f) == kind and keep(f)], scan, level)]
    return out


def shown(page: Any) -> list[str]:
    page.wait_for_timeout(60)
    ids: list[str] = page.evaluate(
        "[...document.querySelectorAll('section:not([hidden]) article')]"
        ".map((node) => DATA.findings[Number(node.id.slice(1))].id)"
    )
    return ids


def set_level(page: Any, level: int) -> None:
    page.locator("#level").fill(str(level))


def test_the_order_is_the_librarys_at_every_level(visit: Visit, pages: dict[str, Path]) -> None:
    page, scan = visit().open(pages["traps"]), trap_scan()
    assert shown(page) == expected(scan, 1500)
    for level in (1000, 1130, 1400, 1990, 2400):
        set_level(page, level)
        assert shown(page) == expected(scan, level)
        assert page.locator("#level-out").text_content() == str(level)
        first = scan.findings[[f.id for f in scan.findings].index(shown(page)[0])]
        toll = float(page.locator("article dl.figures b").first.text_content())
        assert toll == pytest.approx(at_level(first.toll, scan.levels, level), abs=0.006)


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
    check(lambda f: must_know_at(f, scan.levels, 1500))
    page.get_by_role("searchbox", name="Text").fill("najdorf QXB2")
    check(
        lambda f: f.opening is not None and f.opening.name == "Najdorf" and f.slip is not None and f.slip.san == "Qxb2"
    )
    page.get_by_role("searchbox", name="Text").fill("no such words")
    assert shown(page) == [] and page.locator("#none").is_visible()


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
    assert again.locator("#level").input_value() == "1800"
    again.evaluate("location.hash = '#level=1200'")
    assert shown(again) == expected(scan, 1200)
    odd = visit().open(pages["traps"], "#level=abc&kind=x,trick&wrong=<b>&motif=zzz&view=9&at=%3Cimg%3E")
    assert shown(odd) == expected(scan, 1500, lambda f: f.kind == "trick")
    target = expected(scan, 1500)[20]
    there = visit().open(pages["traps"], f"#at={target}")
    focused = there.evaluate("DATA.findings[Number(document.activeElement.closest('article').id.slice(1))].id")
    assert focused == target


@pytest.mark.parametrize("name", ["traps", "special"])
def test_each_move_on_the_board_is_the_one_of_python_chess(visit: Visit, pages: dict[str, Path], name: str) -> None:
    scan = {"traps": trap_scan, "special": special_scan}[name]()
    page = visit().open(pages[name])
    by_id = {finding.id: finding for finding in scan.findings}
    for index, finding_id in enumerate(shown(page)):
        finding = by_id[finding_id]
        if finding.kind == "bait" or finding.slip is None or finding.refutation is None:
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
    finding = next(f for f in scan.findings if f.id == shown(page)[0])
    assert finding.slip and finding.refutation
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
    ours = "h" if owner(finding) == "black" else "a"
    assert corner.text_content() == ours
    node.get_by_role("button", name="Turn").click()
    assert corner.text_content() == ("a" if ours == "h" else "h")
    for choice, side in (("wrong", finding.victim), ("white", "white"), ("black", "black"), ("ours", owner(finding))):
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
    by_id = {finding.id: finding for finding in scan.findings}
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


def test_the_tree_leads_to_the_cards(visit: Visit, pages: dict[str, Path]) -> None:
    page, scan = visit().open(pages["traps"]), trap_scan()
    page.get_by_role("radio", name="along the lines").check()
    assert not page.locator("#cards").is_visible()
    page.wait_for_selector("#tree", state="visible")
    click_closed = "[...document.querySelectorAll('#lines details:not([open]) > summary')].map((n) => n.click()).length"
    for _ in range(60):  # open every branch; a branch is filled when its toggle event arrives, a moment later
        if not page.evaluate(click_closed):
            break
        page.wait_for_function("!document.querySelector('#lines details[open] > summary:only-child')")
    leaves = page.locator("#lines .leaf a")
    assert leaves.count() == len(scan.findings)
    title = leaves.nth(7).text_content()
    leaves.nth(7).focus()
    page.keyboard.press("Enter")
    assert page.locator("#cards").is_visible()
    assert page.evaluate("document.activeElement.closest('article').querySelector('h3 bdi').textContent") == title


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
    assert page.locator("#level-out").text_content() == "1510"
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
    heads = [len(re.findall(r"^\s*(?:trick|pitfall|unsound|bait):", sheet, re.M)) for sheet in sheets]
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


def test_an_empty_report(visit: Visit, pages: dict[str, Path]) -> None:
    page = visit().open(pages["none"])
    assert shown(page) == [] and page.locator("#none").is_visible()


def test_hostile_text_is_text(visit: Visit, pages: dict[str, Path], tmp_path: Path) -> None:
    """No script runs, nothing leaves the page (the fixture holds every request), and each text is shown as it is."""
    page = visit().open(pages["hostile"])
    for summary in page.locator("header summary").all():
        summary.click()
    page.wait_for_timeout(300)
    assert page.title().startswith("<script>") and page.title() != "owned"
    text = page.locator("body").inner_text()
    for hostile in HOSTILE:
        assert plain(hostile) in " ".join(text.split())
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
    page.goto(pages["traps"].as_uri())
    page.route("**/*", lambda route: (left.append(route.request.url), route.abort()))
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


def faults(page: Any, axe: str) -> list[str]:
    page.evaluate(axe)
    result = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    assert result["testEngine"]["name"] == "axe-core"
    grave = [found for found in result["violations"] if found["impact"] in ("serious", "critical")]
    return [f"{found['id']}: {found['nodes'][0]['html'][:200]}" for found in grave]


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
