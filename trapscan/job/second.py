"""A second engine's opinion: every finding of a report is put to another engine, through the same store and watchdog.

It is asked at the budgets that the finding was confirmed with. A denial counts only from the deepest budget: nobody is
contradicted on a glance. What it says depends on the position and the budgets alone, so the bytes of a report do not
depend on the number of workers, and a second run asks nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace

import chess
import msgspec

from trapscan.contract import BaitFinding, Finding, Problem, SecondOpinion
from trapscan.job.questions import QUESTIONS, Question
from trapscan.job.run import UNASKED, Job
from trapscan.job.tools import Tools
from trapscan.model import Evaluation, Query
from trapscan.score import Score, loss


@dataclass(frozen=True, slots=True)
class Case:
    """A slip to be judged: the position before it (victim to move), the one after it, and the budgets for each."""

    before: str
    after: str
    victim: chess.Color
    budgets: tuple[int, int]

    @property
    def queries(self) -> tuple[Query, Query]:
        """What the second engine is asked."""
        return Query(self.before, self.budgets[0]), Query(self.after, self.budgets[1])


def case_of(finding: Finding, best_nodes: int) -> Case | None:
    """The case behind a finding; of a bait, the first slip that it invites. None where there is no slip."""
    board = chess.Board(finding.fen)
    if isinstance(finding, BaitFinding):
        if not finding.replies:
            return None
        board.push_uci(finding.bait.uci)
        slip = finding.replies[0].slip
    else:
        slip = finding.slip
    before, victim = board.epd(), board.turn
    board.push_uci(slip.uci)
    return Case(before, board.epd(), victim, (best_nodes, finding.verified.nodes))


@dataclass(slots=True)
class Second:
    """The second engine at work. `heard` are all answers used, `failed` the questions that got none."""

    tools: Tools
    job: Job
    heard: dict[Query, Evaluation] = field(default_factory=dict)
    failed: dict[Query, str] = field(default_factory=dict)

    def ask(self, findings: Iterable[Finding]) -> None:
        """Hear what it says of each finding; of what it denies, from the deepest budget."""
        cases = [case for finding in findings if (case := self._case(finding)) is not None]
        self._ask(cases)
        self._ask(self._deeper(case) for case in cases if self._denies(case))

    def judge(self, findings: Iterable[Finding]) -> Iterator[Finding]:
        """The findings in the order given, each with an opinion under `verified` where one was heard."""
        return map(self._with_opinion, findings)

    def problems(self, findings: Iterable[Finding]) -> tuple[Problem, ...]:
        """Questions without an answer, and odd answers, by position, so that their order does not depend on the run."""
        plies: dict[str, int] = {}
        for finding in findings:
            case = case_of(finding, 0)
            if case is not None:
                plies[case.before] = len(finding.line) + isinstance(finding, BaitFinding)
                plies[case.after] = plies[case.before] + 1
        told = {(query.epd, text) for query, text in self.failed.items() if text != UNASKED}
        told |= {(query.epd, f"{note} (position {query.epd})") for query, e in self.heard.items() for note in e.notes}
        unasked = sum(text == UNASKED for text in self.failed.values())
        listed = [(plies[epd], text) for epd, text in sorted(told)]
        listed += [(0, f"{unasked:,} positions were {UNASKED}")] * bool(unasked)
        return tuple(Problem(file="", game=0, ply=ply, text=f"second engine: {text}") for ply, text in listed)

    def _ask(self, cases: Iterable[Case]) -> None:
        """Answers to all the cases' queries."""
        queries = [query for query in dict.fromkeys(q for case in cases for q in case.queries) if not self._told(query)]
        for done in self.job.each(QUESTIONS, self.tools, [Question(query) for query in queries]):
            if done.outcome is None:
                self.failed[done.task.query] = done.problem
            else:
                self.heard[done.task.query] = done.outcome

    def _told(self, query: Query) -> bool:
        return query in self.heard or query in self.failed

    def _scores(self, case: Case) -> tuple[Score, Score] | None:
        """Its score of the position and of the slip, victim's view."""
        best, slip = (self.heard.get(query) for query in case.queries)
        return (best.best.score, slip.best.score.of(case.victim)) if best is not None and slip is not None else None

    def _case(self, finding: Finding) -> Case | None:
        return case_of(finding, self.tools.settings.best_nodes)

    def _denies(self, case: Case) -> bool:
        scores = self._scores(case)
        return scores is not None and loss(*scores) < self.tools.settings.threshold

    def _deeper(self, case: Case) -> Case:
        deepest = max(self.tools.settings.budgets[0].most, *case.budgets)
        return replace(case, budgets=(deepest, deepest))

    def _with_opinion(self, finding: Finding) -> Finding:
        case = self._case(finding)
        if case is not None and self._denies(case):
            case = self._deeper(case)
        scores = self._scores(case) if case is not None else None
        if case is None or scores is None:
            return finding
        reply = self.heard[case.queries[1]].best.pv[:1]
        opinion = SecondOpinion(
            engine=self.tools.probe.name,
            cp_best=scores[0].json(),
            cp_slip=scores[1].json(),
            agrees=loss(*scores) >= self.tools.settings.threshold,
            reply="".join(chess.Board(f"{case.after} 0 1").san(chess.Move.from_uci(uci)) for uci in reply),
            nodes=case.budgets[1],
        )
        verified = msgspec.structs.replace(finding.verified, second_engine=opinion)
        return msgspec.structs.replace(finding, verified=verified)


__all__ = ["Case", "Second", "case_of"]
