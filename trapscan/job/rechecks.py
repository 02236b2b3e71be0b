"""What a report says first, and what it accuses the repertoire of, is looked at long before it is said; what readers
see first is told with other answers tried."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from trapscan.contract import SlipFinding, SlipKind
from trapscan.job.judging import prepared_answer
from trapscan.job.recheck import RECHECK, Recheck, Rechecked
from trapscan.job.run import Job, Keyed
from trapscan.job.state import ScanState
from trapscan.job.telling import TELLING, Retold, Telling
from trapscan.job.tools import Tools
from trapscan.job.verdict import Verdict
from trapscan.levels import Lens
from trapscan.model import Line
from trapscan.order import ASIDE, FIRST, Outline, by_idea, outlines, section_of, worthy

LOOKED, LOOKED_NOISY = 1.5, 2.5
"""What a long look at a position and its slips takes, in `verify_nodes`; with a noisy engine."""

ROUNDS = 3
"""How often the first ones are looked at again, as others take the place of those that fall."""

TOLD, TOLD_ASIDE = 3 * FIRST, FIRST
"""So many ideas of a section are told with other answers tried: what a reader may open, and a lesson take. Fewer of
those sections that are closed at first."""

Made = Callable[[], tuple[ScanState, Sequence[SlipFinding]]]
"""What is known now, and its findings."""


@dataclass(slots=True)
class Rechecks:
    """All that was looked at and told anew so far, by position and slip; a verdict with the victim's best line."""

    verdicts: dict[tuple[str, str], tuple[Line, Verdict]] = field(default_factory=dict)
    told: dict[tuple[str, str], Retold] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    searches: int = 0
    nodes: int = 0
    done: bool = False
    """Whether all that is said first was looked at."""

    def try_all(self, job: Job, tools: Tools, made: Made) -> Iterator[None]:
        """Look at what is said first, until that has all been looked at; a step for each position that is done."""
        left = 0
        for _ in range(ROUNDS if tools.settings.verify_nodes else 0):
            tasks = self._accused(*made())
            left += len(tasks)
            for done in job.each(RECHECK, tools, tasks, order=_place(tasks)):
                left -= 1
                if done.outcome is None:
                    self.failed[done.task.epd] = done.problem
                else:
                    self._keep(done.task.epd, done.outcome)
                yield
            if left or not tasks:
                break
        self.done = not left

    def tell_all(self, job: Job, tools: Tools, made: Made) -> Iterator[None]:
        """Tell what is seen first; a step for each slip that is done."""
        if not tools.settings.verify_nodes:
            return
        tasks = self._telling(*made())
        for done in job.each(TELLING, tools, tasks, order=_place(tasks)):
            if done.outcome is None:
                self.failed[done.task.epd] = done.problem
            else:
                self.told[done.task.epd, done.task.slip.move] = done.outcome
                self.searches += done.outcome.searches
                self.nodes += done.outcome.nodes
            yield

    def nodes_wanted(self, tools: Tools, seen: ScanState, found: Sequence[SlipFinding]) -> float:
        """Engine nodes that the long look at what is said first now takes on the mean."""
        return (
            (LOOKED if tools.probe.steady else LOOKED_NOISY)
            * seen.settings.verify_nodes
            * len(self._accused(seen, found))
        )

    def _accused(self, seen: ScanState, found: Sequence[SlipFinding]) -> list[Recheck]:
        slips: dict[str, list[tuple[str, str]]] = {}
        for finding in said_first(found, Lens(seen.settings.levels, seen.settings.level)):
            epd = epd_of(finding)
            if (epd, finding.slip.uci) not in self.verdicts and epd not in self.failed:
                slips.setdefault(epd, []).append((finding.slip.uci, prepared_answer(seen, epd, finding.slip.uci)))
        return [Recheck(seen.positions[epd], tuple(sorted(moves))) for epd, moves in slips.items()]

    def _telling(self, seen: ScanState, found: Sequence[SlipFinding]) -> list[Telling]:
        tasks = []
        for finding in seen_first(found, Lens(seen.settings.levels, seen.settings.level)):
            epd = epd_of(finding)
            best, told = seen.told(epd, finding.slip.uci)
            if told is not None and told.slip.refutation:
                tasks.append(Telling(seen.positions[epd], best, told.slip, told.explanation.ply))
        return tasks

    def _keep(self, epd: str, looked: Rechecked) -> None:
        self.searches += looked.searches
        self.nodes += looked.nodes
        for verdict in looked.verdicts:
            self.verdicts[epd, verdict.move] = looked.best, verdict


def _place(tasks: Sequence[Keyed]) -> Callable[[Keyed], int]:
    """Where a task stands among these: what is said first is done first."""
    places = {id(task): place for place, task in enumerate(tasks)}
    return lambda task: places[id(task)]


def epd_of(finding: SlipFinding) -> str:
    """The EPD of its position."""
    return " ".join(finding.fen.split(" ")[:4])


def said_first(found: Sequence[SlipFinding], lens: Lens) -> list[SlipFinding]:
    """What a report says first or as an accusation: slips of the repertoire, answers that let a slip off, and the
    leads of the first ideas of each kind."""
    accused = [finding for finding in found if finding.kind is SlipKind.UNSOUND or lets_off(finding)]
    return list({finding.id: finding for finding in (*accused, *_first(found, lens))}.values())


def seen_first(found: Sequence[SlipFinding], lens: Lens) -> list[SlipFinding]:
    """The leads of the ideas that a reader comes to: at the head, which may stand far down in their section, and as
    the sections begin."""
    below = _leads(found, lens, dict.fromkeys(SlipKind, TOLD) | dict.fromkeys(ASIDE.values(), TOLD_ASIDE))
    return list({finding.id: finding for finding in (*_first(found, lens), *below)}.values())


def _first(found: Sequence[SlipFinding], lens: Lens) -> list[SlipFinding]:
    """The leads of the ideas that may stand at the head."""
    return _leads(found, lens, {SlipKind.TRICK: FIRST, SlipKind.PITFALL: FIRST}, may_be=worthy)


def _leads(
    found: Sequence[SlipFinding],
    lens: Lens,
    most: Mapping[str, int],
    may_be: Callable[[Outline, Lens], object] = lambda outline, lens: True,
) -> list[SlipFinding]:
    """The leads of the first ideas of the sections, of those that may be: of each so many at most."""
    sections: dict[str, list[Outline]] = {}
    for outline in outlines(found):
        if may_be(outline, lens):
            sections.setdefault(section_of(outline), []).append(outline)
    ideas = [idea for key, count in most.items() for idea in by_idea(sections.get(key, ()), lens)[:count]]
    return [found[idea.lead.number] for idea in ideas]


def lets_off(finding: SlipFinding) -> bool:
    """Whether the repertoire is said to answer the slip wrongly."""
    return finding.prepared is not None and bool(finding.prepared.answers) and not finding.prepared.right


__all__ = ["Rechecks", "epd_of", "lets_off", "said_first", "seen_first"]
