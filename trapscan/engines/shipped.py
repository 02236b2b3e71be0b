"""The facts about the engines that come with trapscan, shipped rather than measured: the same on every machine, so that
its results are too. A test measures them afresh and compares."""

from __future__ import annotations

from trapscan.engines.facts import Probe
from trapscan.engines.limits import NodeLimit
from trapscan.engines.spec import EngineSpec
from trapscan.engines.uci import Option

SUNFISH_NPS = 25_000
"""Speed that the small engine's budgets are scaled by."""


def shipped(spec: EngineSpec) -> Probe | None:
    """The facts about an embedded engine of a version that was measured; None: measure it."""
    if spec.box is None or spec.options != spec.box.options:
        return None
    return MEASURED.get((spec.box.package, spec.box.version))


SUNFISH = Probe(
    name="sunfish 2026",
    driven_by=NodeLimit(pace=SUNFISH_NPS, spent=(1.0, 2.5), least=4_000),
    limits={
        "nodes": "coarse (1 to 2.5 times)",
        "depth": "honoured",
        "movetime": "honoured (68 ms for 100)",
    },
    nps=SUNFISH_NPS,
    reproducible=True,
    prime=True,
    scores="bracketed",
    mate_floor=43_000,
    options=(
        Option("QS", "spin", "36", 0, 300),
        Option("QS_A", "spin", "180", 0, 300),
        Option("LMR", "spin", "70", -200, 200),
        Option("EVAL_ROUGHNESS", "spin", "15", 0, 50),
        Option("NULL_MARGIN", "spin", "-200", -400, 800),
        Option("TABLE_SIZE", "spin", "1000000", 10_000, 100_000_000),
        Option("Ponder", "check", "false"),
        Option("Hash", "spin", "1000", 1, 32_768),
    ),
)

PYFFISH = Probe(
    name="Fairy-Stockfish 230826 LB",
    author="Fabian Fichter",
    driven_by=NodeLimit(least=4_000),
    limits={
        "nodes": "exact",
        "depth": "honoured",
        "movetime": "honoured (103 ms for 100)",
    },
    noise=2.5,
    nps=276_000,
    multipv=True,
    searchmoves=True,
    reproducible=True,
    stops=True,
    scores="exact",
    options=(
        Option("Debug Log File", "string"),
        Option("Threads", "spin", "1", 1, 512),
        Option("Hash", "spin", "16", 1, 33_554_432),
        Option("Clear Hash", "button"),
        Option("Ponder", "check", "false"),
        Option("MultiPV", "spin", "1", 1, 500),
        Option("Skill Level", "spin", "20", -20, 20),
        Option("Move Overhead", "spin", "10", 0, 5_000),
        Option("Slow Mover", "spin", "100", 10, 1_000),
        Option("nodestime", "spin", "0", 0, 10_000),
        Option("UCI_Chess960", "check", "false"),
        # of all its variants the one that is played
        Option("UCI_Variant", "combo", "chess", choices=("chess",)),
        Option("UCI_AnalyseMode", "check", "false"),
        Option("UCI_LimitStrength", "check", "false"),
        Option("UCI_Elo", "spin", "1350", 500, 2_850),
        Option("UCI_ShowWDL", "check", "false"),
        Option("SyzygyPath", "string", "<empty>"),
        Option("SyzygyProbeDepth", "spin", "1", 1, 100),
        Option("Syzygy50MoveRule", "check", "true"),
        Option("SyzygyProbeLimit", "spin", "7", 0, 7),
        Option("Use NNUE", "check", "true"),
        Option("EvalFile", "string", "<empty>"),
        Option("TsumeMode", "check", "false"),
        Option("VariantPath", "string", "<empty>"),
        Option("usemillisec", "check", "true"),
    ),
)

MEASURED = {("sunfish", "2026.1"): SUNFISH, ("pyffish", "0.0.90"): PYFFISH}
"""By package and version."""
