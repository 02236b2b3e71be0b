"""How a scan stands in the owner's file: by chapter, prepared or not, and what to add to it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from trapscan.contract import Finding, PreparedState, Scan, SlipFinding, SlipKind
from trapscan.order import Idea, Outline, ranked, section_of, toll_at
from trapscan.report import words
from trapscan.report.entry import Entry
from trapscan.report.owned import STATES
from trapscan.report.present import SIDES, Presentation
from trapscan.report.rows import SECTIONS
from trapscan.report.text import numbered, points
from trapscan.sanitize import sanitize

CLOSED = frozenset(kind.key for kind in SECTIONS if kind.closed)


@dataclass(frozen=True, slots=True)
class ChapterGroup:
    """The findings of one chapter at a level: its number from 1, its title, its side in words, how many positions and
    findings it has, their toll together, and the worst of them, which are told once."""

    number: int
    title: str
    side: str
    positions: int
    count: int
    toll: str
    worst: Iterator[Entry]


def by_chapter(shown: Presentation, most: int) -> list[ChapterGroup]:
    """The findings by chapter, in the order of the files, `most` of each, by toll; chapters without findings too, but
    nothing where there is one chapter only."""
    scan, lens = shown.scan, shown.lens
    if len(scan.chapters) < 2:
        return []
    inside: list[list[Outline]] = [[] for _ in scan.chapters]
    for outline in ranked(shown.outlines, lens, "toll"):
        for number in shown.whole(outline).chapters:
            inside[number].append(outline)
    return [
        ChapterGroup(
            number=number,
            title=sanitize(chapter.title, limit=160),
            side=SIDES[chapter.side],
            positions=chapter.positions,
            count=len(found),
            toll=points(sum(toll_at(outline, lens) for outline in found)),
            worst=map(shown.entry, shown.picked(found[:most])),
        )
        for number, (chapter, found) in enumerate(zip(scan.chapters, inside, strict=True), 1)
    ]


def prepared_text(scan: Scan) -> str:
    """How many slips stand how in the file, in words; empty where there are none."""
    counts = Counter(finding.state for finding in scan.findings if isinstance(finding, SlipFinding))
    told = [f"{said} {counts[state]}" for state, said in STATES.items() if counts[state]]
    return f"{', '.join(told)}.".capitalize() if told else ""


# --- what to add -----------------------------------------------------------------------------------------------------


def is_missing(finding: Finding) -> bool:
    """Whether the file lacks what a finding tells to play, and there is such a thing; what stands in a section that is
    closed at first need not be there."""
    return (
        isinstance(finding, SlipFinding)
        and section_of(finding) not in {*CLOSED, "disputed"}
        and finding.state is not PreparedState.RIGHT
        and bool(finding.punishment if finding.kind is SlipKind.TRICK else words.alternatives(finding))
    )


def additions(shown: Presentation) -> Iterator[Entry]:
    """What to add to the file, an entry an idea, in order of use."""
    missing = (outline for outline in shown.outlines if is_missing(shown.whole(outline)))
    alike: dict[str, list[Outline]] = {}
    for outline in ranked(missing, shown.lens, "use"):
        alike.setdefault(outline.idea or outline.id, []).append(outline)
    return (shown.card(Idea(lead, tuple(others))) for lead, *others in alike.values())


def addition(finding: Finding) -> str:
    """What to add for a finding: the slip and its answer, or what to play in place of our own; or empty."""
    if not is_missing(finding) or not isinstance(finding, SlipFinding):
        return ""
    if finding.kind is SlipKind.TRICK:
        return words.slip_and_reply(finding)
    board = words.board_of_finding(finding)
    slip = words.marked(finding.slip.san, words.sign_of(finding))
    return f"{numbered(board, [words.alternatives(finding)[0].san])} (not {slip})"


__all__ = ["ChapterGroup", "addition", "additions", "by_chapter", "is_missing", "prepared_text"]
