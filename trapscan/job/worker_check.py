"""On a worker of a cluster: finding the engine there, and proving that its answers will be those of the scan's own.

Nothing here needs Dask. A worker that cannot prove it says why, in one line, and is given no position.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import chess
import msgspec

import trapscan
from trapscan import engines
from trapscan.chance import load_model
from trapscan.engines import EngineSpec, Probe
from trapscan.engines.spec import ENGINE_VARIABLE
from trapscan.errors import EngineError
from trapscan.job.stage import code_digest
from trapscan.job.tools import Tools

SAMPLE = (
    "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - 0 1",
    "r1bqkbnr/pppp1ppp/2n5/4p2Q/2B1P3/8/PPPP1PPP/RNB1K1NR b KQkq - 3 3",
    "r3k2r/ppp2ppp/2n1bn2/2bqp3/8/2NP1N2/PPP1BPPP/R1BQK2R w KQkq - 4 9",
)
"""Positions whose chances a worker must find as the scan's own machine does, to the last of their six digits."""

PACKAGE = (".",)
"""All code and weights of the package: what a worker runs must be what runs here."""

FACTS = (
    "name",
    "limit_kind",
    "multipv",
    "searchmoves",
    "clear_hash",
    "prime",
    "renew",
    "scores",
    "mate_floor",
    "options",
)
"""What two probes of the same engine have in common on any machine. Speeds differ, and the limits come from the scan's
own probe."""


@dataclass(frozen=True, slots=True)
class Claim:
    """What a worker has to prove: that it has this engine, this code and these chances."""

    tools: Tools
    version: str
    code: str
    chances: str


def claim(tools: Tools) -> Claim:
    """What the scan's own machine is."""
    return Claim(
        replace(tools, store=None), trapscan.__version__, code_digest(PACKAGE), chances_digest(tools.settings.levels)
    )


def admit(claim: Claim) -> Tools | str:
    """The tools to work with on this machine, or the reason why it is refused."""
    if claim.code != code_digest(PACKAGE):
        mine = trapscan.__version__
        return f"it runs other code of trapscan (version {mine} there, {claim.version} here; install the same)"
    if claim.chances != chances_digest(claim.tools.settings.levels):
        return "its chances of moves differ in the last digits (another processor, or version of onnxruntime or numpy)"
    found = _same_engine(claim.tools)
    if isinstance(found, str):
        return found
    try:
        probe = engines.probe(found, options=claim.tools.settings.engine_options)
    except EngineError as exc:
        return f"its engine fails: {exc}"
    differing = difference(claim.tools.probe, probe)
    if differing:
        return differing
    # the limits are the scan's own; how long to wait for them is for this machine to say
    return replace(claim.tools, spec=found, probe=msgspec.structs.replace(claim.tools.probe, nps=probe.nps))


def difference(wanted: Probe, probe: Probe) -> str:
    """Where the probe of a worker's engine is not that of the scan's own, in one line; or ""."""
    if probe.refused:
        return f"its engine is refused: {probe.refused}"
    for name in FACTS:
        there, here = getattr(probe, name), getattr(wanted, name)
        if there != here:
            values = "" if name == "options" else f" ({there!r} there, {here!r} here)"
            return f"its engine differs in what the probe says of {name}{values}"
    return ""


def _same_engine(tools: Tools) -> EngineSpec | str:
    """The first engine found here whose bytes and options are those of the scan's, or why there is none."""
    settings, tried = tools.settings, []
    try:
        for spec in _engines_here(tools.spec):
            if engines.engine_identity(spec, tools.probe, settings.hash_mb, settings.engine_options) == tools.identity:
                return spec
            tried.append("the embedded one" if spec.embedded else spec.command[0])
    except EngineError as exc:  # TRAPSCAN_ENGINE names something that is not there
        return str(exc)
    if tried:
        return f"no engine there has the same bytes and options as here (tried {', '.join(tried)})"
    return f"there is no engine '{tools.spec.name}' there: install it, or name it in {ENGINE_VARIABLE}"


def _engines_here(wanted: EngineSpec) -> Iterator[EngineSpec]:
    """Engines that may be the wanted one: what TRAPSCAN_ENGINE names, the same path, the same program elsewhere."""
    if wanted.embedded:
        yield engines.choose("embedded")
        return
    if os.environ.get(ENGINE_VARIABLE):
        yield engines.choose()
    if Path(wanted.command[0]).is_file():
        yield wanted
    program = Path(wanted.command[0]).name
    for spec in engines.discover():
        if Path(spec.command[0]).name == program and spec.command != wanted.command:
            yield replace(spec, options=wanted.options)


@cache
def chances_digest(levels: tuple[int, ...]) -> str:
    """A digest of the chances that this machine finds in a few positions, before and after an engine has looked."""
    model, told = load_model(), hashlib.sha256()
    for fen in SAMPLE:
        chances = model.predict([chess.Board(fen)], levels)[0]
        losses = {move: (0.01 * number, 0.02 * number) for number, move in enumerate(list(chances)[:12])}
        told.update(repr((sorted(chances.items()), sorted(model.join(chances, losses, levels).items()))).encode())
    return told.hexdigest()


__all__ = ["Claim", "admit", "chances_digest", "claim", "difference"]
