"""The job from end to end: a request in, a `Scan` out."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path

import joblib

import trapscan
from trapscan import engines, graph, repertoire, settings
from trapscan.authored import Authored
from trapscan.contract import (
    SCHEMA,
    Counters,
    EngineUsed,
    Finding,
    Input,
    InputFile,
    LimitKind,
    Partial,
    Problem,
    RepertoireSide,
    Scan,
    SlipFinding,
    Tool,
)
from trapscan.errors import ClusterError, InputError
from trapscan.graph import Graph
from trapscan.job.assemble import findings
from trapscan.job.bait_findings import bait_findings
from trapscan.job.baits import BAITS, BaitOutcome
from trapscan.job.clock import Clock
from trapscan.job.counts import Counts, hashes_of
from trapscan.job.movetext import move_trees
from trapscan.job.packing import Asked, asked_again, packed_digests
from trapscan.job.rechecks import Rechecks
from trapscan.job.run import Job, Stats
from trapscan.job.second import Second
from trapscan.job.state import ScanState
from trapscan.job.tools import Tools, second_tools, tools_of
from trapscan.job.walk import Walk, told_of
from trapscan.job.workers import Processes, Workers
from trapscan.levels import Lens
from trapscan.order import in_order, outlines, rounded
from trapscan.progress import Progress
from trapscan.repertoire import Repertoire
from trapscan.request import ScanRequest, taking_options
from trapscan.settings import Settings
from trapscan.spool import Picked, Spool


@dataclass(frozen=True, slots=True)
class Result:
    """What `scan` returns: the report's content, and how the run went."""

    scan: Scan
    stats: Stats


def run_scan(request: ScanRequest) -> Result:
    """Scan repertoire files (PGN, EPD/FEN lists, SAN lines) for tricks and pitfalls. The options are those of
    `trapscan.request.ScanRequest`.

    Raises a subclass of trapscan.errors.TrapscanError; KeyboardInterrupt leaves all finished work in the store.
    """
    started = time.perf_counter()
    clock = Clock(time.monotonic(), None if request.minutes is None else 60 * request.minutes)
    plan, games = Plan.of(request), hashes_of(request.game_paths)
    with contextlib.closing(engines.Store(request.store)) as store:  # before an engine is measured, which takes long
        tools, other = _engines(plan, request)
        with workers_for(request.jobs, request.cluster, request.progress) as workers:
            running = Running(plan, games, tools, other, Job(store, workers, request.progress), clock)
            running.run()
            report, stats = running.report(), running.job.stats
        stats.notes += store.notices
        stats.notes += [note for used in (tools, other) if used is not None for note in _varying(used.probe)]
    stats.wall_seconds = time.perf_counter() - started
    return Result(report, stats)


scan = taking_options(ScanRequest, run_scan)
"""The same with the options of a request as arguments: `scan(["black.pgn"], side="black", level=1400)`."""

# --- what is to be done ----------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Plan:
    """A request with its files read: what is the same for a scan and for its estimate."""

    request: ScanRequest
    settings: Settings
    read: Repertoire
    author: Authored

    @property
    def tree(self) -> Graph:
        """The merged positions."""
        return self.author.tree

    @property
    def side(self) -> str:
        """Whose repertoire it is, as asked for or read off the chapters."""
        return self.author.side

    @classmethod
    def of(cls, request: ScanRequest) -> Plan:
        """Read the settings and the repertoire."""
        chosen = settings.load(request.preset, request.overrides())
        read = repertoire.read_files(list(request.paths))
        sides = request.sides()
        known = len(read.games)
        if max(sides, default=0) > known:
            raise InputError(f"--side speaks of chapter {max(sides)}: there are {known}")
        tree = graph.build(read, max_ply=chosen.plies or None)
        return cls(request, chosen, read, Authored.of(read, tree, sides))


def _engines(plan: Plan, request: ScanRequest) -> tuple[Tools, Tools | None]:
    """The engine and the second one, measured, and what there is to say about them."""
    progress, store = request.progress, request.store or engines.default_store_path()
    tools = tools_of(request.engine, plan.settings, store)
    other = second_tools(request.second_engine, plan.settings, store) if request.second_engine else None
    if request.side is None:
        progress.note(f"Side: {plan.author.told()} (read off the tags and the tree; --side says otherwise)")
    if tools.spec.box is not None:
        progress.note(f"Engine: {tools.spec.box.words}")
    if other is not None and other.identity == tools.identity:
        progress.note("The second engine is the first one again: its agreement says nothing")
    return tools, other


def workers_for(jobs: int | None, cluster: str | None, progress: Progress) -> Workers:
    """Processes of this machine, or the cluster that is named."""
    if cluster is None:
        return Processes(jobs or joblib.cpu_count())
    try:
        from trapscan.job.cluster import Cluster
    except ImportError as exc:
        raise ClusterError(f"a cluster needs Dask ({exc}): pip install 'trapscan[cluster]', here and there") from exc
    return Cluster(cluster, progress.note)


def _varying(probe: engines.Probe) -> Iterator[str]:
    """What to tell the user of an engine that does not repeat itself."""
    if probe.limit_kind == "movetime" or not probe.reproducible:
        yield from (f"{probe.name}: {note}" for note in probe.notes)


# --- doing it --------------------------------------------------------------------------------------------------------


@dataclass(slots=True)
class Running:
    """A scan at work. Its report can be made at any time, of what is known then."""

    plan: Plan
    games: tuple[InputFile, ...]
    tools: Tools
    other: Tools | None
    job: Job
    clock: Clock
    finished: bool = False
    counts: Counts = field(init=False)
    walk: Walk = field(init=False)
    second: Second | None = field(init=False)
    rechecks: Rechecks = field(default_factory=Rechecks)
    baits: dict[str, BaitOutcome] = field(default_factory=dict)
    baits_asked: list[Asked] = field(default_factory=list)
    baits_failed: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        request, plan = self.plan.request, self.plan
        self.counts = Counts(self.job, self.tools, request.game_paths, self.games, request.player)
        self.walk = Walk(self.job, self.tools, self.counts, plan.author, look=self._present)
        self.second = Second(self.other, self.job) if self.other is not None else None

    def run(self) -> None:
        """All that is to be done, as far as there is time."""
        self.examine()
        self.look_again()
        self.look_for_baits()
        self.judge()
        self.finished = not self.job.cut

    def examine(self) -> None:
        """Every position of the tree, and those past its ends; where time is short, as long as that leaves enough to
        look long at what stands first."""
        self.job.until = self.clock.examining
        waiting = self.walk.run()
        if waiting:
            self.job.until = self.clock.examining_on(self._looking_again())
            waiting = self.walk.run()
        self.job.cut = bool(waiting)

    def _looking_again(self) -> float:
        """Seconds that the long look would take now."""
        seen = self._seen()
        wanted = self.rechecks.nodes_wanted(self.tools, seen, Spool(SlipFinding, findings(seen)))
        return wanted / max(1, self.tools.probe.nps) / self.job.workers.jobs

    def look_again(self) -> None:
        """Long, at what the report says first and what it accuses the repertoire of; then at other answers."""
        self.job.until = self.clock.ends

        def made() -> tuple[ScanState, Sequence[SlipFinding]]:
            seen = self._seen()
            return seen, Spool(SlipFinding, findings(seen))

        for _ in self.rechecks.try_all(self.job, self.tools, made):
            self._present()
        for _ in self.rechecks.tell_all(self.job, self.tools, made):
            self._present()

    def _seen(self) -> ScanState:
        return replace(self.walk.seen(), verdicts=self.rechecks.verdicts, retold=self.rechecks.told)

    def look_for_baits(self) -> None:
        """Our positions of the tree, where baits are wanted."""
        if not self.plan.settings.baits:
            return
        for done in self.job.each(BAITS, self.tools, self.walk.bait_tasks()):
            if done.outcome is None:
                self.baits_failed[done.task.epd] = done.problem
            else:
                self.baits_asked.append(packed_digests(done.outcome.asked))
                self.baits[done.task.epd] = replace(done.outcome, asked=())
            self._present()

    def judge(self) -> None:
        """Put every finding to the second engine, where there is one."""
        if self.second is not None:
            self.second.ask(self._found(self._seen()))

    def _present(self) -> None:
        self.job.progress.present(self.report)

    # --- the report --------------------------------------------------------------------------------------------------

    def report(self) -> Scan:
        """What is known by now."""
        plan, seen = self.plan, self._seen()
        found = self._found(seen)
        if self.second is not None:
            found = Spool(Finding, self.second.judge(found))
        order = in_order(tuple(outlines(found)), Lens(plan.settings.levels, plan.settings.level))
        return Scan(
            schema=SCHEMA,
            tool=Tool(version=trapscan.__version__),
            engine=_used(self.tools),
            second_engine=_used(self.other) if self.other is not None else None,
            settings=plan.settings.public(),
            evidence=self.counts.used(plan.tree.positions),
            side=RepertoireSide(plan.side),
            level=plan.settings.level,
            levels=plan.settings.levels,
            title=plan.request.title or ", ".join(Path(file.name).stem for file in plan.read.files),
            input=_input(plan),
            counters=self._counters(),
            partial=None if self.finished else self._partial(seen),
            problems=self._problems(found),
            findings=Picked(found, (outline.number for outline in order)),
            chapters=plan.author.chapters,
            tree=move_trees(plan.tree),
        )

    def _partial(self, seen: ScanState) -> Partial:
        stake = self.walk.stakes()
        examined = sum(stake[epd] for epd in seen.outcomes)
        return Partial(
            positions=len(seen.outcomes),
            of=len(seen.positions),
            stake=rounded(examined / (sum(stake.values()) or 1.0), 4),
            verified=self.rechecks.done,
        )

    def _found(self, seen: ScanState) -> Sequence[Finding]:
        baits = ((epd, self.baits[epd]) for epd in self.walk.positions if epd in self.baits)
        return Spool(Finding, chain(findings(seen), bait_findings(seen, baits)))

    def _counters(self) -> Counters:
        outcomes, baits = self.walk.known(), self.baits.values()
        heard = self.second.heard.values() if self.second is not None else ()
        return Counters(
            positions=len(outcomes),
            candidates=sum(outcome.candidates for outcome in outcomes),
            searches=sum(outcome.searches for outcome in outcomes)
            + self.rechecks.searches
            + sum(bait.searches for bait in baits)
            + len(heard),
            engine_nodes=sum(outcome.nodes for outcome in outcomes)
            + self.rechecks.nodes
            + sum(bait.nodes for bait in baits)
            + sum(answer.nodes for answer in heard),
            store_hits=asked_again([*(known.asked for known in outcomes), *self.baits_asked]),
        )

    def _problems(self, found: Sequence[Finding]) -> tuple[Problem, ...]:
        return (
            *self.plan.read.problems,
            *self.counts.problems(),
            *self.walk.problems(),
            *told_of(self.walk.positions, self.rechecks.failed, lambda epd: (), about="looked at again: "),
            *told_of(self.walk.positions, self.baits_failed, self._odd_in_baits, about="baits: "),
            *(self.second.problems(found) if self.second is not None else ()),
        )

    def _odd_in_baits(self, epd: str) -> list[str]:
        tried = self.baits[epd].tried if epd in self.baits else ()
        return list(dict.fromkeys(text for each in tried for text in each.outcome.examined.problems))


def _used(tools: Tools) -> EngineUsed:
    return EngineUsed(
        name=tools.probe.name,
        options=dict(tools.settings.engine_options),
        limit_kind=LimitKind(tools.probe.limit_kind),
        embedded=tools.spec.embedded,
    )


def _input(plan: Plan) -> Input:
    return Input(
        files=plan.read.files,
        games=plan.tree.games,
        positions=len(plan.tree.positions),
        merged=plan.tree.merged,
    )


__all__ = ["Plan", "Result", "Running", "run_scan", "scan", "workers_for"]
