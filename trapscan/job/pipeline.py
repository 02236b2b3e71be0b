"""The job from end to end: files in, a `Scan` out."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import joblib
import msgspec

import trapscan
from trapscan import engines, graph, rank, repertoire, settings
from trapscan.contract import (
    SCHEMA,
    Counters,
    EngineUsed,
    Finding,
    Input,
    InputFile,
    LimitKind,
    Problem,
    RepertoireSide,
    Scan,
    Tool,
)
from trapscan.errors import ClusterError, EngineError, EngineRefusedError, InputError
from trapscan.graph import Graph
from trapscan.job.assemble import Seen, findings
from trapscan.job.bait_findings import bait_findings
from trapscan.job.baits import BAIT_WORTH, Baits, BaitTask
from trapscan.job.counts import Counts, hashes_of
from trapscan.job.merged import move_trees
from trapscan.job.run import Job, Progress, Stats
from trapscan.job.second import Second
from trapscan.job.work import Outcome, Tools
from trapscan.job.workers import Processes, Workers
from trapscan.levels import Lens, at_level
from trapscan.model import Position
from trapscan.order import in_order
from trapscan.settings import Settings


@dataclass(frozen=True, slots=True)
class Result:
    """What `scan` returns: the report's content, and how the run went."""

    scan: Scan
    stats: Stats


def scan(
    files: Sequence[str | Path],
    *,
    side: str | None = None,
    engine: str | None = None,
    second_engine: str | None = None,
    preset: str = "standard",
    jobs: int | None = None,
    cluster: str | None = None,
    store: Path | None = None,
    games: Sequence[str | Path] = (),
    player: str | None = None,
    title: str = "",
    progress: Progress | None = None,
    **overrides: Any,
) -> Result:
    """Scan repertoire files (PGN, EPD/FEN lists, SAN lines) for tricks and pitfalls.

    `side` is whose repertoire it is ("white", "black", "both"; None: read off the tree). `engine` is a path, a command
    line or "embedded" (None: the best one found); `second_engine`, in the same words, is another one that every finding
    is put to (None: nobody). `preset` is a name or a TOML file; `overrides` are fields of
    `trapscan.settings.Settings`, such as level=1800. `jobs` is the number of worker processes (None: one per core);
    `cluster` the address of a Dask scheduler whose workers do the work instead ("tcp://host:8786").
    `store` is the file that keeps every engine answer (None: the user's cache folder). `games` are PGN files or
    Polyglot books that tell what is played; with `player`, only the moves of the player of that name count.

    Raises a subclass of trapscan.errors.TrapscanError; KeyboardInterrupt leaves all finished work in the store.
    """
    progress, started = progress or Progress(), time.perf_counter()
    chosen = settings.load(preset, {name: value for name, value in overrides.items() if value is not None})
    read = repertoire.read_files([Path(file) for file in files])
    tree = graph.build(read)
    read_off = side is None
    side = side or graph.guess_side(tree)
    if side not in ("white", "black", "both"):
        raise InputError(f"side '{side}' is none of white, black, both")
    if player is not None and not games:
        raise InputError("a player's moves are looked for in games: give files of them")
    game_files = [Path(file) for file in games]
    game_hashes = hashes_of(game_files)
    store_path = store or engines.default_store_path()
    tools = tools_of(engine, chosen, store_path)
    other = _second_tools(second_engine, chosen, store_path) if second_engine else None
    if read_off:
        progress.note(f"Side: {side} (read off the tree; --side says otherwise)")
    if tools.spec.embedded:
        progress.note("Engine: the embedded one; a strong engine finds more and errs less (README says how to get one)")
    if other is not None and other.identity == tools.identity:
        progress.note("The second engine is the first one again: its agreement says nothing")
    with (
        contextlib.closing(engines.Store(store_path)) as kept,
        _workers(jobs, cluster, progress) as workers,
    ):
        job = Job(tools, kept, workers, progress)
        second = Second(other, kept, workers, progress, job.stats) if other is not None else None
        counts = Counts(job, game_files, game_hashes, player)
        seen = _examine_all(job, counts, tree, side, chosen)
        found: tuple[Finding, ...] = findings(seen)
        baits = Baits(job)
        if chosen.baits:
            baits.run(_bait_tasks(tree, seen, counts, side))
            found += tuple(bait_findings(seen, baits.outcomes))
        if second is not None:
            found = second.judge(found)
        job.stats.notes += kept.notices
        job.stats.notes += [note for used in (tools, other) if used is not None for note in _varying(used.probe)]
    outcomes = seen.outcomes
    heard = second.heard.values() if second is not None else ()
    report = Scan(
        schema=SCHEMA,
        tool=Tool(version=trapscan.__version__),
        engine=_used(tools),
        second_engine=_used(other) if other is not None else None,
        settings=chosen.public(),
        evidence=counts.used(),
        side=RepertoireSide(side),
        level=chosen.level,
        levels=chosen.levels,
        title=title or ", ".join(Path(file.name).stem for file in read.files),
        input=Input(
            files=tuple(InputFile(name=file.name, sha256=file.sha256) for file in read.files),
            games=tree.games,
            positions=len(tree.positions),
            merged=tree.merged,
        ),
        counters=Counters(
            positions=len(outcomes),
            candidates=sum(outcome.examined.candidates for outcome in outcomes.values()),
            searches=sum(outcome.examined.searches for outcome in outcomes.values())
            + sum(outcome.searches for outcome in baits.outcomes.values())
            + len(heard),
            engine_nodes=sum(outcome.examined.nodes for outcome in outcomes.values())
            + sum(outcome.nodes for outcome in baits.outcomes.values())
            + sum(e.nodes for e in heard),
            store_hits=job.small.asked_again,
        ),
        problems=(
            *read.problems,
            *counts.problems(),
            *_problems(job, seen),
            *_bait_problems(baits, seen),
            *(second.problems(found) if second is not None else ()),
        ),
        findings=in_order(found, Lens(chosen.levels, chosen.level)),
        tree=move_trees(tree),
    )
    job.stats.wall_seconds = time.perf_counter() - started
    return Result(report, job.stats)


def _workers(jobs: int | None, cluster: str | None, progress: Progress) -> Workers:
    if cluster is None:
        return Processes(jobs or joblib.cpu_count())
    if jobs is not None:
        raise InputError("a cluster has its own workers: give either jobs or cluster")
    try:
        from trapscan.job.cluster import Cluster
    except ImportError as exc:
        raise ClusterError(f"a cluster needs Dask ({exc}): pip install 'trapscan[cluster]', here and there") from exc
    return Cluster(cluster, progress.note)


def tools_of(engine: str | None, chosen: Settings, store: Path) -> Tools:
    """An engine found, measured and ready; EngineError when there is none or it gives no usable verdict."""
    spec = engines.choose(engine)
    probe = engines.probe(spec, options=chosen.engine_options)
    if probe.refused:
        raise EngineRefusedError(probe.refused, engine=spec.name)
    identity = engines.engine_identity(spec, probe, chosen.hash_mb, chosen.engine_options)
    return Tools(spec, probe, identity, chosen, store)


def _second_tools(engine: str, chosen: Settings, store: Path) -> Tools:
    """The same for the second engine, which the settings' UCI options are not meant for."""
    try:
        return tools_of(engine, msgspec.structs.replace(chosen, engine_options={}), store)
    except EngineError as exc:
        raise type(exc)(f"second engine: {exc.message}", engine=exc.engine, epd=exc.epd) from exc


def _varying(probe: engines.Probe) -> Iterator[str]:
    """What to tell the user of an engine that does not repeat itself."""
    if probe.limit_kind == "movetime" or not probe.reproducible:
        yield from (f"{probe.name}: {note}" for note in probe.notes)


def _used(tools: Tools) -> EngineUsed:
    return EngineUsed(
        name=tools.probe.name,
        options=dict(tools.settings.engine_options),
        limit_kind=LimitKind(tools.probe.limit_kind),
        embedded=tools.spec.embedded,
    )


# --- the walk through the positions ----------------------------------------------------------------------------------

Edge = tuple[str, str, str]
"""(EPD before, move, EPD after)."""


def _examine_all(job: Job, counts: Counts, tree: Graph, side: str, chosen: Settings) -> Seen:
    """Examine the tree, then go on past its ends, one ply after the other."""

    positions = {position.epd: position for position in tree.positions}
    onward: list[Edge] = []
    children: dict[str, list[tuple[str, Position]]] = {}
    job.left.waves = chosen.beyond
    if chosen.baits:
        job.left.afterwards = BAIT_WORTH * sum(side in (_mover(p), "both") for p in tree.positions)

    def examine(wave: Sequence[Position], waves_to_come: int) -> dict[str, Outcome]:
        counts.learn(wave)
        new: set[str] = set()

        def grow(position: Position, outcome: Outcome) -> int:
            """What follows past an end, as soon as it is known: how many positions no one has come to before."""
            moves = _moves_onward(position, outcome, side, chosen)
            children[position.epd] = [(uci, graph.extend(position, uci)) for uci in moves]
            before = len(new)
            new.update(child.epd for _, child in children[position.epd] if child.epd not in positions)
            return len(new) - before

        return job.run([counts.task(position) for position in wave], grow if waves_to_come else None)

    outcomes = examine(tree.positions, chosen.beyond)
    ends = [position for position in tree.positions if not position.prepared]
    for wave in range(chosen.beyond, 0, -1):
        fresh: dict[str, Position] = {}
        for position in ends:  # in the order of the tree, whatever the order in which they were done
            for uci, child in children.pop(position.epd, ()):
                onward.append((position.epd, uci, child.epd))
                if child.epd not in positions:
                    fresh.setdefault(child.epd, child)
        positions |= fresh
        ends = list(fresh.values())
        outcomes |= examine(ends, wave - 1)
    choices = counts.choices(tree.positions)
    reach = {
        (epd, ours): by_level
        for ours in ((rank.SIDES[side],) if side in rank.SIDES else (True, False))
        for epd, by_level in _reach(tree, outcomes, onward, ours, chosen.levels, choices).items()
    }
    return Seen(positions, outcomes, reach, side, chosen, counts.of)


def _mover(position: Position) -> str:
    return rank.side_name(position.epd.split()[1] == "w")


def _bait_tasks(tree: Graph, seen: Seen, counts: Counts, side: str) -> list[BaitTask]:
    """The positions of ours in the tree that were examined and have a move, in order, with the move meant there."""
    tasks = []
    for at, position in enumerate(tree.positions):
        outcome = seen.outcomes.get(position.epd)
        if outcome is None or not outcome.examined.best.pv or side not in (_mover(position), "both"):
            continue
        edge = tree.edges[tree.choices(at)[0]] if position.prepared else None
        move, after = (edge[1], tree.positions[edge[2]]) if edge else (None, None)
        tasks.append(BaitTask(counts.task(position), outcome.examined.best, move, after))
    return tasks


def _moves_onward(position: Position, outcome: Outcome, side: str, chosen: Settings) -> Iterator[str]:
    """Past the end of a line: our best move; of the other side, the likely moves that are no slips."""
    examined = outcome.examined
    if not examined.best.pv:
        return
    best = examined.best.pv[0]
    mover = rank.side_name(position.epd.split()[1] == "w")
    if mover == side:
        yield best
        return
    slips = {told.slip.move for told in outcome.told}
    chance = {move: at_level(by_level, chosen.levels, chosen.level) for move, by_level in examined.chances.items()}
    likely = sorted(
        (move for move, p in chance.items() if p >= chosen.beyond_chance and move not in slips),
        key=lambda move: (-chance[move], move),
    )
    yield from likely[: chosen.beyond_width] or [best]


def _reach(
    tree: Graph,
    outcomes: Mapping[str, Outcome],
    onward: Iterable[Edge],
    ours: bool,
    levels: tuple[int, ...],
    choices: Mapping[str, Mapping[str, float]],
) -> dict[str, tuple[float, ...]]:
    chances = {epd: outcome.examined.chances for epd, outcome in outcomes.items()}
    reach = graph.reach(tree, chances, ours, levels, weights=choices)
    followed = list(onward)
    from_here: dict[str, int] = {}
    for before, _, _ in followed:
        from_here[before] = from_here.get(before, 0) + 1
    for before, uci, after in followed:  # waves in order: a parent is complete before its children are reached
        arrived = reach.get(before, tuple(0.0 for _ in levels))
        if (before.split()[1] == "w") == ours:
            share = tuple(1 / from_here[before] for _ in levels)
        else:
            share = chances[before].get(uci, tuple(0.0 for _ in levels))
        added = [r * s for r, s in zip(arrived, share, strict=True)]
        reach[after] = tuple(min(1.0, a + b) for a, b in zip(reach.get(after, [0.0] * len(levels)), added, strict=True))
    return reach


def _problems(job: Job, seen: Seen) -> tuple[Problem, ...]:
    """Positions that could not be examined, and odd answers of the engine, in the order of the positions."""
    failed = dict(job.problems)
    told = []
    for epd, position in seen.positions.items():
        texts = [failed[epd]] if epd in failed else []
        if epd in seen.outcomes:
            texts += seen.outcomes[epd].examined.problems
        told += [Problem(file="", game=0, ply=len(position.moves), text=f"{text} (position {epd})") for text in texts]
    return tuple(told)


def _bait_problems(baits: Baits, seen: Seen) -> tuple[Problem, ...]:
    """The same of the search for baits."""
    failed = dict(baits.problems)
    told = []
    for epd, position in seen.positions.items():
        texts = [failed[epd]] if epd in failed else []
        if epd in baits.outcomes:
            outcome = baits.outcomes[epd]
            texts += dict.fromkeys(text for each in outcome.tried for text in each.outcome.examined.problems)
        told += [
            Problem(file="", game=0, ply=len(position.moves), text=f"baits: {text} (position {epd})") for text in texts
        ]
    return tuple(told)
