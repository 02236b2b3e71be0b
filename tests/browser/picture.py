"""A picture of a report, as a browser shows it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

ADDRESS = "#kind=trick&level=1400"
SIZE = {"width": 1060, "height": 1180}


def picture(browser: Any, report: Path, out: Path, address: str = ADDRESS) -> None:
    """Open the page at `report` at an address in a running browser, and write what is seen of it to `out`."""
    page = browser.new_context(viewport=SIZE).new_page()
    page.goto(report.resolve().as_uri() + address)
    page.wait_for_function("order.length && order[0].drawn")
    out.parent.mkdir(parents=True, exist_ok=True)
    page.screenshot(path=out)
    page.context.close()
