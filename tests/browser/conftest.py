"""A headless Chromium of the system's, and pages that tell of every request, error and dialog."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
AXE = Path(__file__).resolve().parent / "node_modules" / "axe-core" / "axe.min.js"


@dataclass
class Watched:
    """A page and what it did that it should not have: checked at the end of every test."""

    page: Any
    requests: list[str] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)

    def open(self, path: Path, address: str = "") -> Any:
        self.page.goto(f"{path.as_uri()}{address}")
        return self.page

    def faults(self) -> list[str]:
        outside = [url for url in self.requests if not url.startswith("file://")]
        return outside + self.errors


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        pytest.skip("chromium is not installed (Debian: chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=program, args=FLAGS)
        yield running
        running.close()


@pytest.fixture
def visit(browser: Any) -> Iterator[Callable[..., Watched]]:
    """Make a watched page; at the end none may have asked for anything outside, or failed."""
    made: list[tuple[Any, Watched]] = []

    def make(width: int = 1200, height: int = 900) -> Watched:
        context = browser.new_context(viewport={"width": width, "height": height})
        watched = Watched(context.new_page())

        def dismiss(dialog: Any) -> None:
            watched.errors.append("dialog")
            dialog.dismiss()

        watched.page.on("request", lambda request: watched.requests.append(request.url))
        watched.page.on("pageerror", lambda error: watched.errors.append(f"error: {error}"))
        watched.page.on("dialog", dismiss)
        watched.page.on(
            "console", lambda text: watched.errors.append(text.text) if text.type in ("error", "warning") else None
        )
        made.append((context, watched))
        return watched

    yield make
    for context, _ in made:
        context.close()
    assert [fault for _, watched in made for fault in watched.faults()] == []


@pytest.fixture(scope="session")
def axe() -> str:
    if not AXE.is_file():
        pytest.skip("axe-core is not there: run scripts/get_axe")
    return AXE.read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    from tests.browser.browser_pages import special_scan
    from tests.report.sample_scans import bulk_scan, disputed_scan, hostile_scan, make_scan, trap_scan
    from trapscan.report import write_reports

    scans = {
        "traps": trap_scan(),
        "disputed": disputed_scan(),
        "hostile": hostile_scan(),
        "bulk": bulk_scan(),
        "special": special_scan(),
        "none": make_scan(()),
    }
    return {name: write_reports(scan, tmp_path_factory.mktemp(name))[0] for name, scan in scans.items()}
