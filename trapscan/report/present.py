"""The presentation model: a scan as readers meet it, at one level and for one side. Made once; html, md, csv, pgn, epd,
question cards, lessons, comparisons and the terminal's table render it and compute nothing of their own."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import msgspec

from trapscan.contract import (
    Finding,
    RepertoireSide,
    Scan,
)
from trapscan.errors import ReportError
from trapscan.levels import LEAST_ELO, MOST_ELO, Lens
from trapscan.order import (
    ORDERS,
    Idea,
    Outline,
    at_the_head,
    by_idea,
    in_order,
    often_at,
    outlines,
    ranked,
    section_of,
    toll_at,
)
from trapscan.report import words
from trapscan.report.entry import Entry
from trapscan.report.narrowed import for_side, of_chapters, of_natures
from trapscan.report.rows import SECTIONS, SectionKind
from trapscan.report.text import (
    SMALL_ENGINE,
    WEAK,
    and_list,
    counted_as,
    pace_words,
    percent,
    points,
)
from trapscan.sanitize import sanitize
from trapscan.spool import Picked

SIDES = {
    RepertoireSide.BOTH: "Both sides",
    RepertoireSide.WHITE: "White's repertoire",
    RepertoireSide.BLACK: "Black's repertoire",
}


@dataclass(frozen=True, slots=True)
class Section:
    """The ideas of one section in their order, one entry each: of `count` ideas (`findings` in all) those to show
    first; `first` are those that the report begins with."""

    kind: SectionKind
    count: int
    findings: int
    entries: tuple[Entry, ...]
    first: tuple[Entry, ...]

    @property
    def hidden(self) -> int:
        return self.count - len(self.entries)


@dataclass(frozen=True, slots=True)
class OpeningGroup:
    """The findings of one opening at a level: the ECO codes they span, how many they are, their toll together, and the
    worst of them, which are told once."""

    name: str
    eco: str
    count: int
    toll: str
    worst: Iterator[Entry]


@dataclass(frozen=True, eq=False)
class Presentation:
    """A scan told for a side, at a level: sections, orders and places, computed once for all forms."""

    scan: Scan
    level: float

    @classmethod
    def of(
        cls,
        scan: Scan,
        *,
        level: float | None = None,
        side: str | None = None,
        natures: Collection[str] = (),
        chapters: Collection[str] = (),
    ) -> Presentation:
        """`level` in Elo, by default the scan's own; `side` tells a scan of both sides for one of them; of `natures`
        and of `chapters`, if any are named, alone the findings are told. Raises ReportError."""
        at = float(scan.level if level is None else level)
        if not LEAST_ELO <= at <= MOST_ELO:
            raise ReportError(f"level {at:g} is none between {LEAST_ELO} and {MOST_ELO}")
        return cls(of_natures(for_side(of_chapters(scan, chapters), side), natures), at)

    def at_most(self, most: int) -> Presentation:
        """The same of those findings alone that stand first; as it is where there are no more."""
        if len(self.scan.findings) <= most:
            return self
        first = sorted(in_order(self.outlines, self.lens)[:most], key=lambda outline: outline.number)
        return Presentation(msgspec.structs.replace(self.scan, findings=self.picked(first)), self.level)

    @property
    def lens(self) -> Lens:
        """Reads lists at the level."""
        return Lens(self.scan.levels, self.level)

    @cached_property
    def titles(self) -> tuple[str, ...]:
        """Of the scan's chapters."""
        return tuple(chapter.title for chapter in self.scan.chapters)

    def entry(self, finding: Finding) -> Entry:
        """A finding in words."""
        return Entry(finding, self.lens, titles=self.titles)

    @cached_property
    def outlines(self) -> tuple[Outline, ...]:
        """What the findings are ordered by, in the scan's order."""
        return tuple(outlines(self.scan.findings))

    def whole(self, outline: Outline) -> Finding:
        """The finding itself."""
        return self.scan.findings[outline.number]

    def picked(self, chosen: Iterable[Outline]) -> Sequence[Finding]:
        """The findings themselves, made when they are asked for."""
        return Picked(self.scan.findings, (outline.number for outline in chosen))

    def card(self, idea: Idea[Outline]) -> Entry:
        """An idea in words: the finding that leads it, and where else it comes up."""
        return Entry(self.whole(idea.lead), self.lens, self.picked(idea.others), self.titles)

    @cached_property
    def ordered(self) -> Sequence[Finding]:
        """The findings in the order of the report."""
        return self.picked(in_order(self.outlines, self.lens))

    def entries(self) -> Iterator[Entry]:
        """All findings in the order of the report, one at a time."""
        return map(self.entry, self.ordered)

    def sections(self, shown: int) -> list[Section]:
        """The sections that hold anything, at most `shown` entries in each."""
        out = []
        for kind in SECTIONS:
            inside = [outline for outline in self.outlines if section_of(outline) == kind.key]
            ideas = by_idea(inside, self.lens)
            if ideas:
                first = tuple(map(self.card, at_the_head(ideas, self.lens)))
                out.append(Section(kind, len(ideas), len(inside), tuple(map(self.card, ideas[:shown])), first))
        return out

    def cards(self) -> Iterator[Entry]:
        """One entry an idea of all the sections that are open at first, one at a time."""
        for kind in SECTIONS:
            if not kind.closed:
                inside = [outline for outline in self.outlines if section_of(outline) == kind.key]
                yield from map(self.card, by_idea(inside, self.lens))

    def openings(self, shown: int) -> list[OpeningGroup]:
        """The findings by opening family, the one that costs most first and those without a name last; `shown` of
        each, by toll."""
        families: dict[str, list[Outline]] = {}
        codes: dict[str, set[str]] = {}
        for outline in ranked(self.outlines, self.lens, "toll"):
            finding = self.whole(outline)
            name = words.opening_family(finding)
            families.setdefault(name, []).append(outline)
            codes.setdefault(name, set()).update((finding.opening.eco,) if finding.opening is not None else ())
        tolls = {name: sum(toll_at(outline, self.lens) for outline in inside) for name, inside in families.items()}
        return [
            OpeningGroup(
                name=sanitize(name, limit=100),
                eco=_span(codes[name]),
                count=len(families[name]),
                toll=points(tolls[name]),
                worst=map(self.entry, self.picked(families[name][:shown])),
            )
            for name in sorted(families, key=lambda name: (not name, -tolls[name], name))
        ]

    # what the page needs: it cannot compute

    @property
    def stops(self) -> tuple[float, ...]:
        """The levels that the page's slider stops at: the scan's, and the one chosen, brought within their range.

        Between two of the scan's levels each number is a straight line, so that a stop there would tell nothing new;
        and a script that interpolates and ranks is a second formula that must round like the first one."""
        low, high = self.scan.levels[0], self.scan.levels[-1]
        chosen = min(max(self.level, low), high)
        at = int(chosen) if chosen == int(chosen) else chosen
        return tuple(sorted({*self.scan.levels, at}))

    @cached_property
    def lenses(self) -> tuple[Lens, ...]:
        """One for each stop."""
        return tuple(Lens(self.scan.levels, stop) for stop in self.stops)

    @cached_property
    def places(self) -> dict[str, list[array[int]]]:
        """For each order and each stop: the place of each of the scan's findings, in the scan's order."""
        out: dict[str, list[array[int]]] = {}
        for order in ORDERS:
            out[order] = []
            for lens in self.lenses:
                places = array("i", [0]) * len(self.outlines)
                for place, outline in enumerate(ranked(self.outlines, lens, order)):
                    places[outline.number] = place
                out[order].append(places)
        return out

    @cached_property
    def together(self) -> dict[str, list[float]]:
        """For each idea that several findings share, how often it happens in all its positions at each stop."""
        shared: dict[str, list[Outline]] = {}
        for outline in self.outlines:
            shared.setdefault(outline.idea, []).append(outline)
        return {
            idea: [min(1.0, sum(often_at(outline, lens) for outline in alike)) for lens in self.lenses]
            for idea, alike in shared.items()
            if idea and len(alike) > 1
        }

    # the report as a whole

    @property
    def title(self) -> str:
        """The scan's title, or one that says what it is."""
        return sanitize(self.scan.title, limit=300) or "Tricks and pitfalls"

    @property
    def pace(self) -> str:
        """The thinking time that chances are for, in words; empty where the scan does not say."""
        control = self.scan.settings.get("time_control")
        return pace_words(control) if isinstance(control, str) else ""

    @property
    def summary(self) -> str:
        """One paragraph on what was scanned and what was found."""
        scan = self.scan
        files = ", ".join(sanitize(file.name, limit=80) for file in scan.input.files)
        counted = scan.input
        parts = [
            f"{SIDES[scan.side]} from {files or 'no file'}: {counted_as(counted.games, 'game')}, "
            f"{counted.positions} positions ({counted.merged} more were transpositions).",
            f"{counted_as(len(scan.findings), 'finding')}, ranked for level {self.level:.0f}.",
            f"Chances are for games of {self.pace}." if self.pace else "",
            f"Engine: {sanitize(scan.engine.name, limit=80)}.",
            WEAK if scan.engine.embedded and scan.engine.name.startswith(SMALL_ENGINE) else "",
            self._chapters(),
            self._second(),
            self.counted,
        ]
        return " ".join(part for part in parts if part)

    @property
    def unfinished(self) -> str:
        """How much is done, where the scan is not finished; else empty."""
        part = self.scan.partial
        if part is None:
            return ""
        first = "What stands first was looked at long." if part.verified else "What stands first is not verified yet."
        more = f" {part.left_out} more findings come with the end." if part.left_out else ""
        done = (
            f"{part.positions} of at least {part.of} positions are examined, with {percent(part.stake)} of what is at "
            "stake"
            if part.positions < part.of
            else f"{part.positions} positions are examined, and what comes after that was cut short"
        )
        return f"This scan is not finished: {done}. {first}{more} The same command goes on from here."

    def _chapters(self) -> str:
        """How many chapters are for which side, where there are several for both."""
        counts = Counter(chapter.side for chapter in self.scan.chapters)
        if len(counts) < 2:
            return ""
        told = {"white": "for White", "black": "for Black", "both": "for both sides"}
        parts = [f"{counts[side]} {told[side]}" for side in RepertoireSide if counts[side]]
        return f"Of {len(self.scan.chapters)} chapters {and_list(parts)}."

    def _second(self) -> str:
        if self.scan.second_engine is None:
            return ""
        denied = sum(outline.disputed for outline in self.outlines)
        name = sanitize(self.scan.second_engine.name, limit=80)
        return f"Second engine: {name}, which denies {denied or 'none'} of them."

    @property
    def counted(self) -> str:
        """Which games tell what is played, if any were given."""
        used = self.scan.evidence
        if used is None:
            return ""
        files = ", ".join(sanitize(file.name, limit=80) for file in used.files)
        whose = f", moves of {sanitize(used.player, limit=80)} only" if used.player else ""
        met = f"; they met {used.met} of the {self.scan.input.positions} positions" if used.games else ""
        return f"What was played is counted in {files} ({used.games} games{whose}){met}."

    def problems(self, most: int) -> list[str]:
        """What was passed over, a line each, at most so many, and then how many more."""
        lines = [
            sanitize(f"{problem.file}, game {problem.game}, ply {problem.ply}: {problem.text}", limit=400)
            for problem in self.scan.problems[:most]
        ]
        more = len(self.scan.problems) - len(lines)
        return [*lines, f"... and {more} more, in scan.json"] if more else lines


def _span(codes: Collection[str]) -> str:
    """The ECO codes from the first to the last."""
    ends = dict.fromkeys((min(codes), max(codes))) if codes else ()
    return sanitize("\u2013".join(ends), limit=20)
