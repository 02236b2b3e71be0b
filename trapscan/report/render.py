"""All forms of a report, written into its folder."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Collection, Iterable
from itertools import chain
from pathlib import Path

from trapscan.contract import Scan
from trapscan.errors import ReportError
from trapscan.report import games, tables
from trapscan.report.entry import Entry
from trapscan.report.files import Held, write_text_aside
from trapscan.report.filing import additions
from trapscan.report.markdown import markdown
from trapscan.report.page import page_in_pieces
from trapscan.report.present import Presentation

DEFAULT_SHOWN = 12


def write_reports(
    scan: Scan,
    folder: str | os.PathLike[str],
    *,
    level: float | None = None,
    side: str | None = None,
    shown: int | None = None,
    natures: Collection[str] = (),
    chapters: Collection[str] = (),
    seven_bit: bool = False,
    held: Held | None = None,
) -> list[Path]:
    """Render `scan` into `folder`: report.html, report.md, tricks.pgn, tricks.epd, findings.csv, findings.jsonl,
    cards.txt, to-add.pgn.

    `level` (Elo) ranks the findings, by default the scan's own. `side` tells a scan of both sides for one of them.
    `shown` caps how many ideas of a section report.md holds and report.html shows at first; tricks.pgn and cards.txt
    hold every idea of the sections that are open at first, tricks.epd, findings.csv and findings.jsonl
    every finding. Of `natures` and of `chapters` (numbers or parts of titles), if any are named, alone findings are
    told.
    `seven_bit` keeps the PGN and EPD files within ASCII. All are new afterwards, or none is; where `held` is
    given they wait there for others. The paths come back in a fixed order. Raises ReportError.
    """
    told = Presentation.of(scan, level=level, side=side, natures=natures, chapters=chapters)
    shown = how_many(scan, shown)
    forms: dict[str, Callable[[], Iterable[str]]] = {  # made one after the other: of a whole opening book each is large
        "report.html": lambda: page_in_pieces(told, shown),
        "report.md": lambda: [markdown(told, shown)],
        "tricks.pgn": lambda: games.pgn(told.cards(), seven_bit=seven_bit),
        "tricks.epd": lambda: games.epd(told.entries(), seven_bit=seven_bit),
        "findings.csv": lambda: chain(["\ufeff"], tables.findings_csv(told)),
        "findings.jsonl": lambda: tables.findings_jsonl(told),
        "cards.txt": lambda: tables.question_cards(told),
        "to-add.pgn": lambda: games.additions_pgn(additions(told), seven_bit=seven_bit),
    }
    target = Path(folder)
    with contextlib.nullcontext(held) if held is not None else Held() as waiting:
        return [write_text_aside(target / name, form(), waiting) for name, form in forms.items()]


def entries_shown(
    scan: Scan,
    *,
    level: float | None = None,
    side: str | None = None,
    shown: int | None = None,
    natures: Collection[str] = (),
    chapters: Collection[str] = (),
) -> list[Entry]:
    """The ideas that a reader sees first: of each section that is open, or holds the natures that are named, as many as
    report.md has. Arguments as in `write_reports`."""
    told = Presentation.of(scan, level=level, side=side, natures=natures, chapters=chapters)
    sections = told.sections(how_many(scan, shown))
    return [entry for section in sections if natures or not section.kind.closed for entry in section.entries]


def how_many(scan: Scan, shown: int | None) -> int:
    """So many of a section are shown; None: as many as the scan's settings say. Raises ReportError."""
    if shown is None:
        default = scan.settings.get("shown", DEFAULT_SHOWN)
        return default if isinstance(default, int) and default > 0 else DEFAULT_SHOWN
    if shown < 1:
        raise ReportError("at least one idea of a section must be shown")
    return shown
