"""report.html (placeholder body until the page's scripts are in place)."""

from __future__ import annotations

import html

from trapscan.model import Scan
from trapscan.report.markdown import markdown


def page(scan: Scan, level: float, shown: int) -> str:
    """The report as one page."""
    return f"<!doctype html><meta charset=utf-8><title>report</title><pre>{html.escape(markdown(scan, level, shown))}</pre>"
