"""A second engine's opinion: every finding of a report is put to another engine, through the same store and watchdog.

It is asked at the budgets that the finding was confirmed with. A denial counts only from the deepest budget: nobody is
contradicted on a glance. What it says depends on the position and the budgets alone, so the bytes of a report do not
depend on the number of workers, and a second run asks nothing.
"""

from __future__ import annotations

import time
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import chess
import msgspec

from trapscan.contract import BaitFinding, Finding, Problem, SecondOpinion
from trapscan.engines import Store
from trapscan.errors import EngineError
from trapscan.job.run import Progress, Stats
from trapscan.job.work import Tools, cpu_so_far, engine_of, restarts_so_far
from trapscan.job.workers import Workers
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


@dataclass(frozen=True, slots=True)
class Answered:
    """What a worker sends back: the answer, or why there is none; seconds it took, and of the engine's processor time;
    restarts of its engine."""

    query: Query
    evaluation: Evaluation | None
    problem: str
    seconds: float
    cpu: float
    restarts: int


def answer(tools: Tools, query: Query) -> Answered:
    """One task: put `query` to the engine of `tools`."""
    start, restarts, cpu = time.perf_counter(), restarts_so_far(tools), cpu_so_far(tools)
    evaluation, problem = None, ""
    try:
        evaluation = engine_of(tools).evaluate(query)
    except EngineError as exc:
        problem = str(exc)
    taken, processor = time.perf_counter() - start, max(0.0, cpu_so_far(tools) - cpu)
    return Answered(query, evaluation, problem, taken, processor, restarts_so_far(tools) - restarts)


@dataclass(slots=True)
class Second:
    """The second engine at work. `heard` are all answers used, `failed` the questions that got none."""

    tools: Tools
    store: Store
    workers: Workers
    progress: Progress
    stats: Stats
    heard: dict[Query, Evaluation] = field(default_factory=dict)
    failed: dict[Query, str] = field(default_factory=dict)

    def judge(self, findings: Sequence[Finding]) -> tuple[Finding, ...]:
        """The findings in the order given, each with an opinion under `verified` where one could be had."""
        settings = self.tools.settings
        cases = [case_of(finding, settings.best_nodes) for finding in findings]
        self._ask(case for case in cases if case is not None)
        for i, case in enumerate(cases):
            scores = self._scores(case) if case is not None else None
            if case is not None and scores is not None and loss(*scores) < settings.threshold:
                deepest = max(settings.stakes[0].most, *case.budgets)
                cases[i] = replace(case, budgets=(deepest, deepest))
        self._ask(case for case in cases if case is not None)
        return tuple(
            finding if case is None else self._with_opinion(finding, case)
            for finding, case in zip(findings, cases, strict=True)
        )

    def problems(self, findings: Sequence[Finding]) -> tuple[Problem, ...]:
        """Questions without an answer, and odd answers, by position, so that their order does not depend on the run."""
        plies: dict[str, int] = {}
        for finding in findings:
            case = case_of(finding, 0)
            if case is not None:
                plies[case.before] = len(finding.line) + isinstance(finding, BaitFinding)
                plies[case.after] = plies[case.before] + 1
        told = {(query.epd, text) for query, text in self.failed.items()}
        told |= {(query.epd, f"{note} (position {query.epd})") for query, e in self.heard.items() for note in e.notes}
        return tuple(
            Problem(file="", game=0, ply=plies[epd], text=f"second engine: {text}") for epd, text in sorted(told)
        )

    def _ask(self, cases: Iterable[Case]) -> None:
        """Answers to all the cases' queries: the store's, then the engine's, each kept before the next is looked at."""
        queries = [query for query in dict.fromkeys(q for case in cases for q in case.queries) if not self._told(query)]
        self.progress.add(len(queries))
        known = self.store.get(self.tools.identity, queries)
        self.heard |= known
        self.progress.step(len(known), 0)
        self.stats.second_asked += len(queries)
        waiting = [query for query in queries if query not in known]
        start = time.perf_counter()
        for answered in self.workers.each(answer, self.tools, waiting):
            if answered.evaluation is None:
                self.failed[answered.query] = answered.problem
            else:
                self.store.put(self.tools.identity, [(answered.query, answered.evaluation)])
                self.heard[answered.query] = answered.evaluation
                self.stats.searched_nodes += answered.evaluation.nodes
            self.stats.second_searched += 1
            self.stats.engine_seconds += answered.seconds
            self.stats.engine_cpu += answered.cpu
            self.stats.restarts += answered.restarts
            self.progress.step(1, 0)
        if waiting:
            self.stats.search_wall_seconds += time.perf_counter() - start

    def _told(self, query: Query) -> bool:
        return query in self.heard or query in self.failed

    def _scores(self, case: Case) -> tuple[Score, Score] | None:
        """Its score of the position and of the slip, victim's view."""
        best, slip = (self.heard.get(query) for query in case.queries)
        return (best.best.score, slip.best.score.of(case.victim)) if best is not None and slip is not None else None

    def _with_opinion(self, finding: Finding, case: Case) -> Finding:
        scores = self._scores(case)
        if scores is None:
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


__all__ = ["Case", "Second", "answer", "case_of"]
