"""What an engine really does, measured once, and the limits that follow from it.

The measuring itself is in `measure`; here is the result, how it is kept, and how a budget becomes a limit.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import importlib.metadata
import importlib.util
import math
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

import msgspec

from trapscan.engines.spec import EngineSpec
from trapscan.engines.store import store_folder
from trapscan.engines.uci import Option, find_option
from trapscan.settings import OptionValue

PROBE_VERSION = 5

DRIVER = 1
"""Version of what the driver makes of an engine's output: part of the identity that stored answers are keyed by. A mend
of what is read, stopped or averaged raises it (tests/engines/test_driver.py tells when)."""

SLOW_NPS = 133_000
"""Engines below this speed get smaller budgets: at this speed the greatest standard budget takes LONG_SECONDS."""
LONG_BUDGET = 200_000
LONG_SECONDS = 1.5
SHORT_SECONDS = 0.1
"""Slow engines: budgets that take no longer than this are given in full."""

DEPTH_FACTOR = 4.0
"""A search to a fixed depth may cost this many times the budget: the engines without a node limit report more nodes
for the same strength than the one the budgets were measured with (Stockfish 15.1)."""
AVERAGED = 4
"""A noisy engine's score is the mean (in expected score) of its last iterations, so many: two of odd depth and two of
even, which favour the one side and the other."""
LEAST_DEPTH = 5
"""No search to a fixed depth is shallower, so that a refutation of two moves lies within it."""
NOISE_BUDGET, NOISE_EXPECTED = 20_000, 0.026
"""The yardstick for an engine's noise: that of Stockfish 15.1 at this budget, measured after opening moves."""
MOST_NOISE = 3.0
NOISE_STRETCH = 2.0
"""The budgets of a noisy engine grow by its noise, to so many times at most: more did not help (measured)."""
SCREEN_BUDGET = 2_000
DEEP_BUDGET = 100_000
SCREEN_ERROR = 0.11
"""How far, in expected score (root mean square over sharp positions), the cheapest searches may be from deep ones.
Stockfish 15.1 has 0.105 at SCREEN_BUDGET; Ethereal needs depth 11 for as much, sunfish 4,000 nodes (measured)."""


class Probe(msgspec.Struct, frozen=True, kw_only=True):
    """Measured facts about an engine.

    limit_kind      the limit it is driven with: "nodes", "depth" or "movetime"
    limits          kind -> what became of it, in words
    node_ratio      nodes spent for each node allowed, over small and large budgets (only with limit_kind "nodes")
    depth_nodes     nodes spent to finish depth 1, 2, ...: geometric mean over a few opening positions
    least_depth     the shallowest searches that do not mislead (with limit_kind "depth"); see SCREEN_ERROR
    least_nodes     the same in nodes, 0 when SCREEN_BUDGET is enough (with limit_kind "nodes")
    noise           how many times as noisy its scores are as NOISE_EXPECTED (1 to MOST_NOISE, in halves): root
                    mean square over SHARP of NOISE_BUDGET against DEEP_BUDGET; margins grow by it, and budgets up
                    to NOISE_STRETCH times
    nps             nodes per second, one thread, as measured
    budget_nps      the speed that budgets are scaled by: nps rounded to a power of two, or a constant of the engine
    multipv         several exact lines, all of them, in one search
    searchmoves     root moves can be restricted
    wdl             win/draw/loss shares can be shown
    reproducible    equal searches give equal scores and lines after the clearing that we do; that is `ucinewgame`, and
                    the Clear Hash button with clear_hash, a first short search of the same position with prime, and
                    with renew a process of its own for each search
    steady_nodes    node counts repeat as well; where they don't, the expected count stands in for them
    stops           a search can be ended early by `stop`
    scores          "exact", or "bracketed" (only bounds, but both, close together)
    mate_floor      > 0: mates come as centipawns beyond this
    answers         what it says on a mate in one, when mated, when stalemated, with a single legal move
    refused         why it cannot be used, or ""
    """

    version: int = PROBE_VERSION
    name: str
    author: str = ""
    limit_kind: str = ""
    limits: dict[str, str] = {}
    node_ratio: tuple[float, float] = (1.0, 1.0)
    depth_nodes: tuple[int, ...] = ()
    least_depth: int = LEAST_DEPTH
    least_nodes: int = 0
    noise: float = 1.0
    nps: int = 0
    budget_nps: int = 0
    multipv: bool = False
    searchmoves: bool = False
    wdl: bool = False
    reproducible: bool = False
    clear_hash: bool = False
    prime: bool = False
    renew: bool = False
    steady_nodes: bool = True
    stops: bool = False
    scores: str = ""
    mate_floor: int = 0
    answers: dict[str, str] = {}
    options: tuple[Option, ...] = ()
    notes: tuple[str, ...] = ()
    refused: str = ""

    @property
    def multiline(self) -> bool:
        """Whether several lines and restricted moves may be asked for: an engine must do both."""
        return self.multipv and self.searchmoves

    @property
    def watchable(self) -> bool:
        """Whether a search can be watched and ended as soon as it has told enough: only where its nodes are those
        of the budget, so that what was measured about them holds."""
        exact = self.node_ratio[0] >= 0.8 and self.node_ratio[1] <= 1.2
        fast = self.budget_nps >= SLOW_NPS and self.least_nodes == 0
        return self.limit_kind == "nodes" and self.stops and self.steady_nodes and exact and fast

    @property
    def steady(self) -> bool:
        """Whether its scores are no noisier than those that budgets and margins were measured with."""
        return self.noise <= 1

    @property
    def averaged(self) -> bool:
        """Whether its score is the mean of the last iterations: where they swing, and nobody watches them."""
        return not self.steady and not self.watchable

    def scaled(self, budget: int) -> int:
        """The nodes an engine of this speed spends on `budget`.

        Engines of SLOW_NPS and more: all of it. Slower ones: all of what takes SHORT_SECONDS, and above that a power
        of it, so that LONG_BUDGET takes LONG_SECONDS. Never less than `least_nodes`. Depends on `budget_nps` and
        `least_nodes` only, which are kept with the probe.
        """
        if not self.budget_nps or self.budget_nps >= SLOW_NPS:
            return max(budget, self.least_nodes)
        knee = self.budget_nps * SHORT_SECONDS
        if budget <= knee:
            return max(budget, self.least_nodes)
        power = math.log(LONG_SECONDS / SHORT_SECONDS) / math.log(LONG_BUDGET / knee)
        return max(int(knee * (budget / knee) ** power), self.least_nodes)

    def budget_scale(self, budget: int) -> float:
        """Share of `budget` that is spent: `scaled(budget) / budget`."""
        return self.scaled(budget) / budget

    def stretched(self, budget: int) -> int:
        """The budget that this engine needs to be about as sure as the one that budgets were measured with."""
        return round(budget * min(self.noise, NOISE_STRETCH))

    def _depth_cost(self, depth: int) -> float:
        """Nodes to finish a depth: by the table, past its end by its growth from depth to depth."""
        table = self.depth_nodes
        growth = max(1.3, (table[-1] / table[0]) ** (1 / max(1, len(table) - 1)))
        return table[depth - 1] if depth <= len(table) else table[-1] * growth ** (depth - len(table))

    def depth(self, budget: int) -> int:
        """The depth that stands for `budget` nodes: whose cost, by `depth_nodes`, is nearest in proportion."""
        if not self.depth_nodes:
            return self.least_depth
        aim = math.log(DEPTH_FACTOR * self.scaled(budget))
        best = min(range(1, 61), key=lambda depth: abs(math.log(max(1.0, self._depth_cost(depth))) - aim))
        return max(self.least_depth, best)

    def expected_nodes(self, budget: int) -> int:
        """What a query of `budget` should cost in the engine's own nodes; the same whatever it says itself."""
        if self.limit_kind == "depth" and self.depth_nodes:
            return round(self._depth_cost(self.depth(budget)))
        return self.scaled(budget)

    def limit(self, budget: int) -> tuple[str, float]:
        """What follows `go` for `budget` nodes, and the seconds this should take."""
        nodes = self.scaled(budget)
        nps = max(100, self.nps or self.budget_nps)
        if self.limit_kind == "depth":
            return f"depth {self.depth(budget)}", DEPTH_FACTOR * nodes / nps
        if self.limit_kind == "movetime":
            milliseconds = max(20, round(1000 * nodes / max(100, self.budget_nps)))
            return f"movetime {milliseconds}", milliseconds / 1000
        return f"nodes {nodes}", self.node_ratio[1] * nodes / nps


def probe(spec: EngineSpec, *, fresh: bool = False, options: Mapping[str, OptionValue] | None = None) -> Probe:
    """The facts about an engine: from disk if it was measured before, else measured now (a few seconds).

    Kept in the store's folder by the engine's identity: a changed program or network is measured again. `fresh`
    measures in any case. Raises EngineCrashedError or EngineTimeoutError when it cannot even be greeted,
    EngineRefusedError when `options` do not fit; an engine that gives no usable verdict comes back with `refused`.
    """
    from trapscan.engines.embedded import EMBEDDED_PROBE, EMBEDDED_VERSION
    from trapscan.engines.measure import measure

    if spec.embedded and not (spec.options or options or fresh) and _embedded_version() == EMBEDDED_VERSION:
        return EMBEDDED_PROBE
    digest = _digest([*_parts(spec, options or {}), f"probe {PROBE_VERSION}"])
    path = store_folder() / "probes" / f"{digest[:32]}.json"
    if not fresh:
        with contextlib.suppress(OSError, msgspec.MsgspecError):
            return msgspec.json.decode(path.read_bytes(), type=Probe)
    result = measure(spec, options or {})
    if spec.embedded:
        result = msgspec.structs.replace(result, budget_nps=EMBEDDED_NPS)
    if result.refused:  # not kept: a machine under load, or an engine struck while it was measured, is no fact about it
        return result
    with contextlib.suppress(OSError):  # a folder that cannot be written costs the next run a few seconds
        _write_aside(path, msgspec.json.format(msgspec.json.encode(result, order="sorted")) + b"\n")
    return result


EMBEDDED_NPS = 25_000
"""Speed that the embedded engine's budgets are scaled by: a constant, so that its results are the same everywhere."""


def engine_identity(
    spec: EngineSpec, probe: Probe, hash_mb: int, options: Mapping[str, OptionValue] | None = None
) -> str:
    """Digest (32 hex digits) that keys stored answers: everything that decides what the engine says.

    Its name, the bytes of its program, of scripts and files among its arguments and of files named in options, its
    options and hash size, and how budgets become limits. Paths do not count, only what lies there.
    """
    options = options or {}
    parts = _parts(spec, options)
    parts += [
        f"driver {DRIVER}",
        probe.name,
        str(hash_mb),
        probe.limit_kind,
        str(probe.clear_hash),
        str(probe.prime),
        str(probe.mate_floor),
        str(probe.watchable),
        str(probe.noise),
    ]
    if not probe.watchable:
        parts += ["mates in two by checks are proved"]
    if probe.noise > 1:
        parts += [f"budgets for the noise, {NOISE_STRETCH} at most, mean of {AVERAGED if probe.averaged else 1}"]
    if not spec.embedded:
        parts += [str(probe.budget_nps if probe.budget_nps < SLOW_NPS or probe.limit_kind == "movetime" else "full")]
    parts += [_file_digest(str(path)) for path in network_files(spec, probe)]
    parts += [
        f"{digit * 10**power}:{probe.limit(digit * 10**power)[0]}" for power in range(3, 9) for digit in (1, 2, 5)
    ]
    return _digest(parts)[:32]


def _parts(spec: EngineSpec, options: Mapping[str, OptionValue]) -> list[str]:
    parts = []
    if spec.embedded:
        parts.append(f"sunfish {_embedded_version()}")
        parts += [_file_digest(origin) for origin in _embedded_files()]
    else:
        base = Path(spec.cwd or ".")
        for word in spec.command:
            path = base / word
            parts.append(_file_digest(str(path)) if path.is_file() else word)
    for name, value in [*spec.options, *sorted(options.items())]:
        parts.append(f"{name}={value}")
        if isinstance(value, str) and value:
            for path in (Path(spec.cwd or ".") / value, Path(spec.command[0]).parent / value):
                if path.is_file():
                    parts.append(_file_digest(str(path)))
                    break
    return parts


def network_files(spec: EngineSpec, probe: Probe) -> list[Path]:
    """Files that the engine's declared defaults name and that lie beside it (networks, books)."""
    option = find_option(probe.options, "EvalFile")
    if option is None or not option.default:
        return []
    places = (Path(spec.cwd or "."), Path(spec.command[0]).parent)
    return [place / option.default for place in places if (place / option.default).is_file()][:1]


def _digest(parts: list[str]) -> str:
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


def _file_digest(path: str) -> str:
    try:
        stat = os.stat(path)  # noqa: PTH116
        return _hashed(path, stat.st_size, stat.st_mtime_ns)
    except OSError:
        return f"unreadable {Path(path).name}"


@functools.lru_cache(maxsize=64)
def _hashed(path: str, size: int, changed: int) -> str:
    with open(path, "rb") as file:  # noqa: PTH123
        return hashlib.file_digest(file, "sha256").hexdigest()


def _embedded_version() -> str:
    try:
        return importlib.metadata.version("sunfish")
    except importlib.metadata.PackageNotFoundError:
        return ""


def _embedded_files() -> list[str]:
    found = []
    for module in ("sunfish", "sunfish_ui"):
        with contextlib.suppress(ImportError, ValueError):
            origin = importlib.util.find_spec(module)
            if origin is not None and origin.origin:
                found.append(origin.origin)
                if module == "sunfish_ui":
                    found.append(str(Path(origin.origin).with_name("uci.py")))
    return found


def _write_aside(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".probe-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
        os.replace(name, path)  # noqa: PTH105
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(name)  # noqa: PTH108
        raise
