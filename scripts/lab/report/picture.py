"""Take a picture of a report with headless Chromium.

scripts/picture                          the README's: docs/report.png, from reports/demo/white (made by scripts/demo)
scripts/picture REPORT_DIR OUT.png [ADDRESS]

ADDRESS is the page's state, for example '#kind=trick&level=1400'."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from tests.browser.picture import picture

ROOT = Path(__file__).resolve().parents[3]
FLAGS = ["--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-sync"]
README_PICTURE = ROOT / "docs" / "report.png"


def main() -> None:
    if len(sys.argv) not in (1, 3, 4):
        sys.exit(__doc__)
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "reports" / "demo" / "white"
    out = Path(sys.argv[2]) if len(sys.argv) > 2 else README_PICTURE
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    if program is None or not (folder / "report.html").is_file():
        sys.exit(f"needs chromium and {folder / 'report.html'}")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=program, args=FLAGS)
        picture(browser, folder / "report.html", out, *sys.argv[3:4])
        browser.close()


if __name__ == "__main__":
    main()
