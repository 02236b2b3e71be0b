"""The facts about the engine that comes with trapscan, shipped rather than measured: the same on every machine, so
that its results are too. A test measures them afresh and compares."""

from __future__ import annotations

from trapscan.engines.facts import EMBEDDED_NPS, Probe
from trapscan.engines.uci import Option

EMBEDDED_VERSION = "2026.1"
"""The version of sunfish these were measured with; another one is measured when first used."""

EMBEDDED_PROBE = Probe(
    name="sunfish 2026",
    limit_kind="nodes",
    limits={
        "nodes": "coarse (1 to 2.5 times)",
        "depth": "honoured",
        "movetime": "honoured (68 ms for 100)",
    },
    node_ratio=(1.0, 2.5),
    least_nodes=4_000,
    nps=EMBEDDED_NPS,
    budget_nps=EMBEDDED_NPS,
    reproducible=True,
    prime=True,
    scores="bracketed",
    mate_floor=43_000,
    answers={
        "mate in one": "a1a8, cp 48058",
        "single move": "a8b8, cp -47998",
        "mated": "(none), cp -47938",
        "stalemated": "(none), cp 0",
    },
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
