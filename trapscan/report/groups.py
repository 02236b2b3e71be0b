"""Findings put together as the readable reports show them: by section, and by opening."""

from __future__ import annotations

from dataclasses import dataclass

from trapscan.contract import Finding, Scan
from trapscan.levels import at_level
from trapscan.order import TOLL_DIGITS, by_toll, rounded
from trapscan.plain import plain
from trapscan.report.view import SECTIONS, Card, card, opening_family, section_of


@dataclass(frozen=True, slots=True)
class Section:
    """The findings of one section, in order; `hidden` are those beyond what is shown."""

    kind: str
    heading: str
    about: str
    cards: tuple[Card, ...]
    hidden: int


def sections(scan: Scan, level: float, shown: int) -> list[Section]:
    """The report's sections that hold anything, each by toll at `level`, at most `shown` cards in each."""
    out = []
    for kind, heading, about in SECTIONS:
        ordered = by_toll([finding for finding in scan.findings if section_of(finding) == kind], scan.levels, level)
        if ordered:
            cards = tuple(card(finding, scan, level) for finding in ordered[:shown])
            out.append(Section(kind, heading, about, cards, len(ordered) - len(cards)))
    return out


@dataclass(frozen=True, slots=True)
class OpeningGroup:
    """The findings of one opening at a level: the ECO codes they span, how many they are, their toll together, and the
    worst of them."""

    name: str
    eco: str
    count: int
    toll: float
    worst: tuple[Card, ...]


def by_opening(scan: Scan, level: float, shown: int) -> list[OpeningGroup]:
    """The findings by opening family, the one that costs most first and those without a name last; `shown` of each,
    by toll."""
    families: dict[str, list[Finding]] = {}
    for finding in by_toll(scan.findings, scan.levels, level):
        families.setdefault(opening_family(finding), []).append(finding)
    groups = []
    for name, findings in families.items():
        codes = sorted(finding.opening.eco for finding in findings if finding.opening is not None)
        groups.append(
            OpeningGroup(
                name=plain(name, limit=100),
                eco=plain("\u2013".join(dict.fromkeys((codes[0], codes[-1]))), limit=20) if codes else "",
                count=len(findings),
                toll=sum(at_level(finding.toll, scan.levels, level) for finding in findings),
                worst=tuple(card(finding, scan, level) for finding in findings[:shown]),
            )
        )
    return sorted(groups, key=lambda group: (not group.name, -rounded(group.toll, TOLL_DIGITS), group.name))
