"""Measure report.html in headless Chromium: opening, re-ranking, showing all, the tree. Needs chromium and playwright.

scripts/run bench_page REPORT_DIR          the page of a report
scripts/run bench_page --findings 1000     a made-up scan of so many findings, and the tree of all their lines
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
FLAGS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync"]

OPENED = """new Promise((done) => requestAnimationFrame(() => setTimeout(() =>
    done(performance.timing.loadEventEnd - performance.timing.navigationStart))))"""
"""From the start of navigation until everything has run, layout included."""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--findings", type=int, default=1000)
    parser.add_argument("--rounds", type=int, default=5)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = options.folder
        if folder is None:
            import msgspec

            from tests.report.sample_scans import bulk_scan, tree_of
            from trapscan.report import write_reports

            folder = Path(made)
            scan = bulk_scan(options.findings)
            tree = tree_of([finding.line for finding in scan.findings])
            print(f"{len(tree.moves.split()):,} moves in the tree")
            write_reports(msgspec.structs.replace(scan, tree=(tree,)), folder)
        measure((folder / "report.html").resolve(), options.rounds)


def measure(path: Path, rounds: int) -> None:
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None:
        sys.exit("chromium is not installed")
    steps = {
        "level": "STATE.level = 1800; refresh()",
        "show all": "for (const group of byKind(CARDS)) SHOWN[group.key] = Infinity; refresh()",
        "level, all shown": "STATE.level = 1200; refresh()",
        "print": "window.dispatchEvent(new Event('beforeprint'))",
        "by opening": "STATE.view = 'openings'; refresh()",
        "tree": "STATE.view = 'lines'; refresh()",
        "tree, open all": "openAll(true)",
        "level, tree open": "STATE.level = 1600; refresh()",
    }
    seen: dict[str, list[float]] = {name: [] for name in ("open", *steps)}
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=program, args=FLAGS)
        for _ in range(rounds):
            page = browser.new_context(viewport={"width": 1200, "height": 900}).new_page()
            page.goto(path.as_uri())
            # from the start of navigation until the script has run and a frame was drawn
            seen["open"].append(page.evaluate(OPENED))
            for name, work in steps.items():
                seen[name].append(page.evaluate(_timed(work)))
            page.context.close()
        browser.close()
    print(f"{path.stat().st_size / 1e6:.1f} MB; milliseconds, median and worst of {rounds}")
    for name, values in seen.items():
        print(f"{name:18} {statistics.median(values):7.0f} {max(values):7.0f}")


def _timed(work: str) -> str:
    """Script that does the work and forces the layout, and tells how long it took."""
    end = "document.body.offsetHeight; return performance.now() - start;"
    return f"() => {{ const start = performance.now(); {work}; {end} }}"


if __name__ == "__main__":
    main()
