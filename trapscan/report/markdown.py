"""The report as Markdown (CommonMark): plain enough to be read as it is."""

from __future__ import annotations

import re
from itertools import islice

import jinja2

from trapscan.report.filing import addition, additions, by_chapter, prepared_text
from trapscan.report.present import Presentation
from trapscan.report.text import FAIR_PLAY
from trapscan.sanitize import sanitize

OF_EACH_OPENING = 5
"""So many findings stand below each opening at the end of report.md."""

MAX_PROBLEMS = 50
MAX_CHAPTERS = 100
TWINS = 2
"""So many look-alikes of a finding are told."""

_SPECIAL = re.compile(r"([\\`*_\[\]<>|&~$])")


def escape(text: str) -> str:
    """Text that CommonMark shows as it stands: no markup, no HTML, no link."""
    safe = _SPECIAL.sub(r"\\\1", sanitize(text))
    # what begins a list, a quotation or a rule, and bare addresses, which some readers turn into links
    safe = re.sub(r"^([-+=#]|\d+[.)](?=\s|$))", r"\\\1", safe)
    return re.sub(r"(?i)(https?|ftp|www)(?=[:.])", r"\1&#8203;", safe)


def code(text: str) -> str:
    """Text inside a code span: it cannot hold a backtick."""
    return sanitize(text, limit=120).replace("`", "'")


def markdown(shown: Presentation, most: int) -> str:
    """The whole report as Markdown, at most `most` findings of a section."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("trapscan.report", "web"),
        autoescape=False,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters.update(md=escape, code=code)
    chapters = by_chapter(shown, OF_EACH_OPENING)
    text = environment.get_template("markdown.md.j2").render(
        report=shown,
        fair_play=FAIR_PLAY,
        problems=shown.problems(MAX_PROBLEMS),
        sections=shown.sections(most),
        openings=shown.openings(OF_EACH_OPENING),
        of_each=OF_EACH_OPENING,
        chapters=chapters[:MAX_CHAPTERS],
        more_chapters=max(0, len(chapters) - MAX_CHAPTERS),
        prepared=prepared_text(shown.scan),
        missing=list(islice(additions(shown), most)),
        addition=addition,
        twins=TWINS,
    )
    return re.sub(r"\n{3,}", "\n\n", text).strip() + "\n"
