"""What a scan will cost, before it is made: positions, searches, engine nodes, minutes.

Positions are read off the repertoire. How many moves of each are candidates is counted with the chance model on a
sample. How soon their searches end, how many are slips, and how many of our moves are worth a look as baits, is not
known beforehand: for these the shares of scans made before are taken (SHARES, printed by `check_estimate`, which
also says how far the estimate is off). Nodes become seconds by the speed that the engine's probe measured. What counts
is what a scan with an empty store really searches: an answer that is used twice is searched once. Counts of games are
not looked at: they change which moves are candidates and no more. The games are read for what is to be said of them.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import joblib

from trapscan import engines, rank
from trapscan.authored import Authored
from trapscan.chance import load_model
from trapscan.contract import Problem
from trapscan.engines import Probe
from trapscan.graph import Graph, turn_of
from trapscan.job.counts import Counts, hashes_of
from trapscan.job.pipeline import Plan, workers_for
from trapscan.job.rechecks import LOOKED
from trapscan.job.run import Job
from trapscan.job.tools import Tools, tools_of
from trapscan.model import Position
from trapscan.order import FIRST
from trapscan.request import ScanRequest, taking_options
from trapscan.search import PRICE_TIMES, choose_candidates
from trapscan.settings import Settings
from trapscan.stopping import NOISE_AT

SAMPLE = 40
"""Positions, evenly spread, whose candidates are counted."""


@dataclass(frozen=True, slots=True)
class Shares:
    """What scans took on the mean. After a candidate: `spent`, the share of the nodes between `least` and `most` of its
    budget; `beside`, what is asked about slips, in `refutation_nodes` a candidate; `asked`, in searches. Of a position
    of ours searched for baits: `looked`, the legal moves that get a closer look; `replies`, the likely replies searched
    for each of these; `finals`, replies searched closer for each move that may be examined; `examined`, examinations
    (those not shared with the rest of the scan), in those of a position; `priced`, prices measured again."""

    spent: float
    beside: float
    asked: float
    looked: float
    replies: float
    finals: float
    examined: float
    priced: float


SHARES = {
    40_000: Shares(
        spent=0.325, beside=1.1, asked=0.68, looked=0.66, replies=1.84, finals=1.3, examined=0.5, priced=0.07
    ),
    120_000: Shares(
        spent=0.15, beside=1.2, asked=0.53, looked=0.53, replies=1.48, finals=0.4, examined=0.3, priced=0.07
    ),
}
"""By `best_nodes`: quick, from 40 named lines; standard, from Black's demo before prepared moves were searched as they
are now, and reckoned over for that. Other settings take those of the nearer one."""

RESTED = 1.19
"""What the search for the best move takes, times its usual nodes, where it can be watched (502 positions of 50 named
lines, standard; searches of its rivals not counted)."""
THINKING = 0.08
"""Seconds a position costs besides its searches: chances, explanations."""
THINKING_OF_BAITS = 0.14
"""The same of a position searched for baits."""
STARTING = 3.0
"""Seconds until the workers work."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What a part of a scan takes. `nodes` are engine nodes, `seconds` of one worker."""

    positions: float = 0.0
    searches: float = 0.0
    nodes: float = 0.0
    seconds: float = 0.0

    def __add__(self, other: Cost) -> Cost:
        return Cost(
            self.positions + other.positions,
            self.searches + other.searches,
            self.nodes + other.nodes,
            self.seconds + other.seconds,
        )


@dataclass(frozen=True, slots=True)
class Estimate:
    """A scan's expected cost. `read` positions stand in the repertoire; `plain` is the cost without baits, `baits` what
    they add; `jobs` workers share it. `problems`: what was passed over in the files."""

    engine: str
    nps: int
    side: str
    read: int
    plain: Cost
    baits: Cost
    jobs: int
    problems: tuple[Problem, ...] = ()

    def minutes(self, cost: Cost) -> float:
        """Wall time of a scan that starts with an empty store."""
        return (STARTING + cost.seconds / self.jobs) / 60

    def numbers(self) -> dict[str, Any]:
        """The same as plain values."""
        return {
            "engine": self.engine,
            "nps": self.nps,
            "side": self.side,
            "jobs": self.jobs,
            "read": self.read,
            "problems": len(self.problems),
            **{
                name: {
                    "positions": round(cost.positions),
                    "searches": round(cost.searches),
                    "engine_nodes": round(cost.nodes),
                    "minutes": round(self.minutes(cost), 1),
                }
                for name, cost in (("without_baits", self.plain), ("with_baits", self.plain + self.baits))
            },
        }

    def text(self) -> str:
        """For the user: a line about the scan, a line with and a line without baits."""
        lines = [
            f"{self.read} positions in the repertoire of {self.side}, about "
            f"{self.plain.positions - self.read:.0f} more past the ends of its lines.",
            f"Engine: {self.engine}, {self.nps:,} nodes a second as measured; "
            f"{self.jobs} worker{'s' * (self.jobs > 1)}. With nothing in the store:",
        ]
        for name, cost in (("without --baits", self.plain), ("with --baits", self.plain + self.baits)):
            lines.append(
                f"  {name:16} about {_two(cost.searches)} searches, {_two(cost.nodes)} engine nodes, "
                f"{_span(self.minutes(cost))}"
            )
        return "\n".join(lines)


def run_estimate(request: ScanRequest) -> Estimate:
    """What `scan` with the same options would cost. Reads the files, games too, and measures the engine, if it is not
    known yet; searches nothing. Raises as `scan` does."""
    plan = Plan.of(request)
    tools = tools_of(request.engine, plan.settings, request.store or engines.default_store_path())
    found = estimate(plan.author, tools.probe, plan.settings, request.jobs or joblib.cpu_count())
    return replace(found, problems=(*plan.read.problems, *_problems_of_games(plan, tools)))


def _problems_of_games(plan: Plan, tools: Tools) -> tuple[Problem, ...]:
    """What is passed over in files of games; their counts are kept, so that the scan need not read them again."""
    request = plan.request
    if not request.game_paths:
        return ()
    assert tools.store is not None
    with (
        contextlib.closing(engines.Store(tools.store)) as store,
        workers_for(request.jobs, request.cluster, request.progress) as workers,
    ):
        job = Job(store, workers, request.progress)
        counts = Counts(job, tools, request.game_paths, hashes_of(request.game_paths), request.player)
        counts.learn(plan.tree.positions)
        return counts.problems()


estimate_scan = taking_options(ScanRequest, run_estimate)
"""The same with the options of a request as arguments, as `scan` takes them."""


def estimate(author: Authored, probe: Probe, chosen: Settings, jobs: int) -> Estimate:
    """The expected cost of a scan of the author's tree with an empty store."""
    tree = author.tree
    sides = [author.side_of(ids) for ids in author.held]
    past = _beyond(tree, sides, chosen)
    one = _examination(tree.positions, probe, chosen)
    beyond = replace(_times(one, past / 2), positions=past, searches=past * one.searches)  # half of the nodes
    ours = [p for p, side in zip(tree.positions, sides, strict=True) if side in (_mover(p), "both")]
    return Estimate(
        engine=probe.name,
        nps=probe.nps,
        side=author.side,
        read=len(tree.positions),
        plain=_times(one, len(tree.positions)) + beyond + _looked_again(len(tree.positions) + past, probe, chosen),
        baits=_times(_bait_search(_legal(ours), one, probe, chosen), len(ours)),
        jobs=jobs,
    )


def _examination(positions: Sequence[Position], probe: Probe, chosen: Settings) -> Cost:
    """One position on the mean: its best move, the search after each candidate, what is asked beside."""
    sample, model, shares = _spread(positions), load_model(chosen.seconds), _shares(chosen)
    best = round((RESTED if probe.watchable else 1.0) * chosen.best_nodes)
    cost = replace(_searches([(best, 1.0)], probe, THINKING), positions=1.0)
    for position in sample:
        chances = model.predict([position.board()], chosen.levels)[0]
        candidates = choose_candidates(chances, position.prepared, chosen)
        # what follows a prepared move is a position of the repertoire, and searched as that
        budgets = [chosen.budget(max(chances[move])) for move in candidates if move not in position.prepared]
        climbs = _searches([(round(s.least + shares.spent * (s.most - s.least)), 1.0) for s in budgets], probe)
        beside = _searches([(chosen.refutation_nodes, shares.beside * len(candidates))], probe)
        beside = replace(beside, searches=shares.asked * len(candidates))
        cost += _times(climbs + beside, 1 / len(sample))
    return cost


def _looked_again(positions: float, probe: Probe, chosen: Settings) -> Cost:
    """The long look at what the report says first: the position and its slips, where there are so many."""
    if not chosen.verify_nodes:
        return Cost()
    long = max(chosen.verify_nodes, chosen.best_nodes)
    return _times(_searches([(round(LOOKED * long), 1.0)], probe, THINKING), min(positions, 2.0 * FIRST))


def _bait_search(legal: float, examination: Cost, probe: Probe, chosen: Settings) -> Cost:
    """One position of ours: every legal move at a glance, a closer look at some, the likely replies of these, those of
    the best once more, the few examined, prices measured again."""
    shares = _shares(chosen)
    closer = max(chosen.confirm_nodes, 2 * chosen.bait_screen_nodes)
    looked = shares.looked * legal
    searches = [
        (NOISE_AT, legal),
        (closer, looked + shares.finals * chosen.bait_verified),
        (chosen.bait_screen_nodes, shares.replies * min(looked, chosen.bait_screened)),
        (PRICE_TIMES * chosen.best_nodes, 2 * shares.priced),
    ]
    examined = replace(_times(examination, shares.examined), positions=1.0)
    return _searches(searches, probe, THINKING_OF_BAITS) + examined


def _searches(searches: Sequence[tuple[int, float]], probe: Probe, thinking: float = 0.0) -> Cost:
    """The cost of budgets asked for so often each, and of so many seconds of thought."""
    nodes = sum(count * probe.driven_by.nodes(probe.stretched(budget)) for budget, count in searches)
    count = sum(count for _, count in searches)
    return Cost(0.0, count, nodes, nodes / max(1, probe.nps) + thinking)


def _shares(chosen: Settings) -> Shares:
    return SHARES[min(SHARES, key=lambda nodes: abs(math.log(nodes / chosen.best_nodes)))]


def _times(cost: Cost, by: float) -> Cost:
    return Cost(cost.positions * by, cost.searches * by, cost.nodes * by, cost.seconds * by)


def _mover(position: Position) -> str:
    return rank.side_name(turn_of(position.epd))


def _beyond(tree: Graph, sides: Sequence[str], chosen: Settings) -> float:
    """Positions past the ends: one move of ours, of the other side somewhat less than the most that are followed."""
    width = 1 + 0.5 * (chosen.beyond_width - 1)
    total = 0.0
    for position, side in zip(tree.positions, sides, strict=True):
        if position.prepared:
            continue
        ours, arrived = _mover(position) == side, 1.0
        for _ in range(chosen.beyond):
            arrived *= 1.0 if ours else width
            total += arrived
            ours = side != "both" and not ours
    return total


def _legal(positions: Sequence[Position]) -> float:
    counts = [p.board().legal_moves.count() - len(p.prepared) for p in _spread(positions)]
    return sum(counts) / max(1, len(counts))


def _spread(positions: Sequence[Position]) -> list[Position]:
    size = min(SAMPLE, len(positions))
    return [positions[i * len(positions) // size] for i in range(size)]


def _two(value: float) -> str:
    """Two digits that count: an estimate says no more."""
    if value < 1:
        return "0"
    whole = round(value)
    digits = len(str(whole)) - 2
    return f"{round(whole, -digits) if digits > 0 else whole:,}"


def _span(minutes: float) -> str:
    if minutes < 1.5:
        return f"{_two(60 * minutes)} seconds"
    return f"{_two(minutes)} minutes" if minutes < 120 else f"{_two(minutes / 60)} hours"


__all__ = ["Cost", "Estimate", "estimate", "estimate_scan", "run_estimate"]
