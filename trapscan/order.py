"""The order of findings, and the one rule of rounding behind it. Nothing else in trapscan sorts findings by their
numbers: the page sorts by the places that it is given."""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Generic, Literal, Protocol, TypeVar

import chess

from trapscan.contract import BaitFinding, Finding, Gain, Nature, Side, SlipFinding, SlipKind
from trapscan.levels import Lens

TOLL_DIGITS, MET_DIGITS, STANDING_DIGITS = 6, 9, 9
MILLION = 1_000_000

FIRST = 12
"""So many ideas of a section stand at the head of a report, and are looked at longest."""

DAMPED = 0.25
"""The power of how often a slip happens in the order of findings: that falls by an order of magnitude within a few
moves, and what is worth knowing lies deep as often as not (measured: scripts/run check_needles)."""

CROWD = 0.5
"""An idea counts so much less for each higher one of its section that has its position, or its answer and gain: who has
seen one of them wants another thing next."""

ALIKE, NEAR = 2, 6
"""So many ideas of one position at most stand among the first; and of positions that differ in so few squares no slip
twice: a reader takes it for the same."""

WORTHY, SELDOM, NEVER, PLAYED = 0.7, 2e-5, 1e-5, 0.01
"""The worth from which a trick or pitfall may stand among the first: a coach sets it gladly as likely as not
(rank/worth.toml); fewer lines are better than filler. How often it must happen: what comes more seldom than once in
fifty thousand games stands behind what is commoner, and once in a hundred thousand is nobody's care. And the chance of
the slip: what fewer than one in a hundred play is no trick."""


# --- what is ordered -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Outline:
    """All that a finding is ordered by, in a tenth of its memory; the finding is the `number`th of a sequence."""

    number: int
    id: str
    kind: SlipKind | Literal["bait"]
    nature: Nature
    disputed: bool
    victim: Side
    gain: Gain
    fen: str
    slip: str
    idea: str
    answer: str
    levels: int
    numbers: array[float]
    """By level: `met`, `chance`, `toll`, and `worth` where that was reckoned."""

    @property
    def met(self) -> Sequence[float]:
        """See `FindingBase`."""
        return self.numbers[: self.levels]

    reach = met

    @property
    def chance(self) -> Sequence[float]:
        """See `FindingBase`."""
        return self.numbers[self.levels : 2 * self.levels]

    @property
    def toll(self) -> Sequence[float]:
        """See `FindingBase`."""
        return self.numbers[2 * self.levels : 3 * self.levels]

    @property
    def worth(self) -> Sequence[float]:
        """See `FindingBase`."""
        return self.numbers[3 * self.levels :]


def outlines(findings: Iterable[Finding]) -> Iterator[Outline]:
    """What each of the findings is ordered by."""
    known: dict[str, str] = {}

    def same(text: str) -> str:
        return known.setdefault(text, text)

    for number, finding in enumerate(findings):
        met = finding.met or finding.reach
        yield Outline(
            number=number,
            id=finding.id,
            kind=finding.kind,
            nature=finding.nature,
            disputed=finding.disputed,
            victim=finding.victim,
            gain=finding.gain,
            fen=same(finding.fen),
            slip=same(finding.move.uci),
            idea=same(finding.idea),
            answer=same(finding.answer),
            levels=len(met),
            numbers=array("d", (*met, *finding.chance, *finding.toll, *finding.worth)),
        )


Ranked = SlipFinding | BaitFinding | Outline
RankedT = TypeVar("RankedT", bound=Ranked)


# --- numbers ---------------------------------------------------------------------------------------------------------


def rounded(value: float, digits: int) -> float:
    """To the nearest, a tie to the even one; never -0.0. Everything is rounded before it is ranked by: noise in the
    last digits must not change the order."""
    return round(value, digits) + 0.0


def millionths(value: float) -> int:
    """As a whole number of millionths: such add up to the same sum in any order and any language."""
    return round(MILLION * value)


def toll_at(finding: Ranked, lens: Lens) -> int:
    """The toll in millionths of a point."""
    return millionths(lens.value(finding.toll))


def worth_at(finding: Ranked, lens: Lens) -> float:
    """Its worth at the level; 0 where none was reckoned."""
    return lens.value(finding.worth) if finding.worth else 0.0


def met_at(finding: Ranked, lens: Lens) -> float:
    """How often its position is met at the level, the slip still open; as often as it is reached, where no more is
    known."""
    return max(0.0, lens.value(finding.met or finding.reach))


def often_at(finding: Ranked, lens: Lens) -> float:
    """How often it happens at the level: the position is met, and the slip played."""
    return met_at(finding, lens) * lens.value(finding.chance)


def standing(finding: Ranked, lens: Lens, *, often: float | None = None, damped: float = DAMPED) -> float:
    """What a finding is ranked by: its worth times how often it happens, damped, at the level. `often`: how often its
    idea happens, if that is more."""
    share = often_at(finding, lens) if often is None else often
    return worth_at(finding, lens) * float(min(1.0, share) ** damped)


def worthy(finding: Ranked, lens: Lens) -> int:
    """Whether it may stand among the first of its section: 0 no, 1 behind the others, 2 yes. Of tricks and pitfalls
    only what is worth it; what the repertoire itself plays is told in any case, and so is what no worth was reckoned
    for."""
    if not finding.worth or section_of(finding) not in (SlipKind.TRICK, SlipKind.PITFALL):
        return 2
    if worth_at(finding, lens) < WORTHY or lens.value(finding.chance) < PLAYED:
        return 0
    return sum(often_at(finding, lens) >= least for least in (NEVER, SELDOM))


# --- where a finding stands ------------------------------------------------------------------------------------------

ASIDE = {Nature.GAMBIT: "gambit", Nature.POSITIONAL: "positional", Nature.FORGONE: "forgone"}
"""Natures with a section of their own: in the others something is won by force."""


def section_of(finding: Ranked) -> str:
    """The key of the report's section that a finding stands in: its kind, but for what a second engine denies, and for
    natures with a section of their own. A move of the repertoire that loses something is to be repaired whatever it
    is, unless it is a gambit."""
    if finding.disputed:
        return "disputed"
    if finding.kind == "bait" or (finding.kind is SlipKind.UNSOUND and finding.nature is not Nature.GAMBIT):
        return finding.kind
    return ASIDE.get(finding.nature, finding.kind)


# --- ideas -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Idea(Generic[RankedT]):
    """Findings with one punishing idea: the one that stands highest, and the others, in their own order."""

    lead: RankedT
    others: tuple[RankedT, ...] = ()

    @property
    def all(self) -> tuple[RankedT, ...]:
        """The lead and the others."""
        return (self.lead, *self.others)


def by_idea(findings: Iterable[RankedT], lens: Lens, *, damped: float = DAMPED) -> list[Idea[RankedT]]:
    """The findings one card an idea, in the order of the report: by the worth of the one that stands highest, and by
    how often all of them together happen; less for what a higher one has shown. Sections do not mind each other."""
    alike: dict[tuple[str, str], list[RankedT]] = {}
    for finding in findings:
        alike.setdefault((section_of(finding), finding.idea or finding.id), []).append(finding)

    def alone(finding: RankedT) -> tuple[Any, ...]:
        return -rounded(standing(finding, lens, damped=damped), STANDING_DIGITS), *_by_toll(finding, lens)

    def placed(idea: Idea[RankedT], share: float = 1.0) -> tuple[Any, ...]:
        often = sum(often_at(finding, lens) for finding in idea.all)
        value = share * standing(idea.lead, lens, often=often, damped=damped)
        return -rounded(value, STANDING_DIGITS), *_by_toll(idea.lead, lens)

    ideas = []
    for group in alike.values():
        lead, *others = sorted(group, key=alone)
        ideas.append(Idea(lead, tuple(others)))
    seen: Counter[Hashable] = Counter()
    out = []
    for idea in sorted(ideas, key=placed):
        crowds = _crowds(idea.lead)
        out.append((placed(idea, CROWD ** max(seen[crowd] for crowd in crowds)), idea))
        seen.update(crowds)
    return [idea for _, idea in sorted(out, key=lambda each: each[0])]


def at_the_head(ideas: Iterable[Idea[RankedT]], lens: Lens) -> list[Idea[RankedT]]:
    """Of a section's ideas, in their order, those that a report begins with."""
    seen: Counter[str] = Counter()
    out: list[Idea[RankedT]] = []
    for idea in ideas:
        if worthy(idea.lead, lens):
            seen[idea.lead.fen] += 1
            if seen[idea.lead.fen] <= ALIKE and not any(_again(idea.lead, above.lead) for above in out):
                out.append(idea)
    return sorted(out, key=lambda idea: -worthy(idea.lead, lens))[:FIRST]


def _again(finding: Ranked, above: Ranked) -> bool:
    """Whether the same side makes the same move (UCI) in nearly the same position; the page asks so too."""
    one, other = (each.slip if isinstance(each, Outline) else each.move.uci for each in (finding, above))
    if (finding.victim, one) != (above.victim, other):
        return False
    here, there = (chess.BaseBoard(each.fen.partition(" ")[0]).piece_map() for each in (finding, above))
    return sum(here.get(square) != there.get(square) for square in here.keys() | there.keys()) <= NEAR


def _crowds(finding: Ranked) -> list[Hashable]:
    """What a reader would know again: the position, and the answer with what it wins."""
    section = section_of(finding)
    crowds: list[Hashable] = [(section, finding.fen)]
    if finding.answer:
        crowds.append((section, finding.victim, finding.answer, finding.gain))
    return crowds


# --- orders ----------------------------------------------------------------------------------------------------------


def _by_toll(finding: Ranked, lens: Lens) -> tuple[Any, ...]:
    return -toll_at(finding, lens), finding.id


def _worth(findings: Iterable[RankedT], lens: Lens) -> list[RankedT]:
    return [finding for idea in by_idea(findings, lens) for finding in idea.all]


def _toll(findings: Iterable[RankedT], lens: Lens) -> list[RankedT]:
    return sorted(findings, key=lambda finding: _by_toll(finding, lens))


def _use(findings: Iterable[RankedT], lens: Lens) -> list[RankedT]:
    def often(idea: Idea[RankedT]) -> tuple[Any, ...]:
        share = sum(often_at(finding, lens) for finding in idea.all)
        return -rounded(share, STANDING_DIGITS), *_by_toll(idea.lead, lens)

    return [finding for idea in sorted(by_idea(findings, lens), key=often) for finding in idea.all]


class Ranking(Protocol):
    """Puts findings in an order."""

    def __call__(self, findings: Iterable[RankedT], lens: Lens) -> list[RankedT]: ...


ORDERS: Mapping[str, Ranking] = MappingProxyType({"worth": _worth, "toll": _toll, "use": _use})
"""By name: how findings are put in order. "worth" keeps the findings of one idea together, the one that stands highest
first; so does "use", by how often an idea happens. What is equal stands by toll, then by id, so that no two findings
are equal."""

DEFAULT = "worth"


def ranked(findings: Iterable[RankedT], lens: Lens, order: str = DEFAULT) -> list[RankedT]:
    """The findings by one of ORDERS alone, whatever their kind."""
    return ORDERS[order](findings, lens)


def in_order(findings: Iterable[RankedT], lens: Lens) -> tuple[RankedT, ...]:
    """The order of the report: unsound moves first, last what a second engine denies; within them as `ranked`."""
    return tuple(
        sorted(
            ranked(findings, lens),
            key=lambda finding: (finding.disputed, finding.kind is not SlipKind.UNSOUND),
        )
    )
