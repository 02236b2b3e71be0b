"""What a report says first, and what it accuses the repertoire of, is looked at long before it is said."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from trapscan.contract import SlipFinding, SlipKind
from trapscan.job.accused import ACCUSED, Accused, Looked
from trapscan.job.judging import prepared_answer
from trapscan.job.run import Job
from trapscan.job.seen import Seen
from trapscan.job.tools import Tools
from trapscan.job.verdict import Verdict
from trapscan.levels import Lens
from trapscan.model import Line
from trapscan.order import FIRST, by_idea, section_of

ROUNDS = 3
"""How often the first ones are looked at again, as others take the place of those that fall."""


@dataclass(slots=True)
class Court:
    """All that was looked at so far: the victim's best line and the verdict, by position and slip."""

    verdicts: dict[tuple[str, str], tuple[Line, Verdict]] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    searches: int = 0
    nodes: int = 0

    def try_all(self, job: Job, tools: Tools, made: Callable[[], tuple[Seen, Sequence[SlipFinding]]]) -> Iterator[None]:
        """Look at what `made` says first, until that has all been looked at; a step for each position that is done."""
        if not tools.settings.verify_nodes:
            return
        for _ in range(ROUNDS):
            tasks = self._tasks(*made())
            if not tasks:
                return
            for done in job.each(ACCUSED, tools, tasks):
                if done.outcome is None:
                    self.failed[done.task.epd] = done.problem
                else:
                    self._keep(done.task.epd, done.outcome)
                yield

    def _tasks(self, seen: Seen, found: Sequence[SlipFinding]) -> list[Accused]:
        slips: dict[str, list[tuple[str, str]]] = {}
        for finding in said_first(found, Lens(seen.settings.levels, seen.settings.level)):
            epd = " ".join(finding.fen.split(" ")[:4])
            if (epd, finding.slip.uci) not in self.verdicts and epd not in self.failed:
                slips.setdefault(epd, []).append((finding.slip.uci, prepared_answer(seen, epd, finding.slip.uci)))
        return [Accused(seen.positions[epd], tuple(sorted(moves))) for epd, moves in slips.items()]

    def _keep(self, epd: str, looked: Looked) -> None:
        self.searches += looked.searches
        self.nodes += looked.nodes
        for verdict in looked.verdicts:
            self.verdicts[epd, verdict.move] = looked.best, verdict


def said_first(found: Iterable[SlipFinding], lens: Lens) -> list[SlipFinding]:
    """What a report says first or as an accusation: slips of the repertoire, answers that let a slip off, and the
    leads of the first ideas of each kind."""
    sections: dict[str, list[SlipFinding]] = {}
    first: dict[str, SlipFinding] = {}
    for finding in found:
        sections.setdefault(section_of(finding), []).append(finding)
        if finding.kind is SlipKind.UNSOUND or lets_off(finding):
            first[finding.id] = finding
    for kind in (SlipKind.TRICK, SlipKind.PITFALL):
        for idea in by_idea(sections.get(kind, ()), lens)[:FIRST]:
            assert isinstance(idea.lead, SlipFinding)
            first[idea.lead.id] = idea.lead
    return list(first.values())


def lets_off(finding: SlipFinding) -> bool:
    """Whether the repertoire is said to answer the slip wrongly."""
    return finding.prepared is not None and bool(finding.prepared.answers) and not finding.prepared.right


__all__ = ["Court", "lets_off", "said_first"]
