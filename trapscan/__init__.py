"""trapscan finds the opening tricks and pitfalls in a repertoire with any UCI engine.

    import trapscan
    result = trapscan.scan(["black.pgn"], side="black", level=1400)
    for finding in result.scan.findings:
        print(finding.line, finding.slip, finding.refutation)

Public names: `scan` (files in, a `Result` out), `Result` (`.scan`, `.stats`), `read_scan` (a written report back as a
`Scan`), `Scan` and `Finding` (the typed content of scan.json), `TrapscanError` (base of every error raised on purpose).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from trapscan.contract import Finding, Scan
    from trapscan.errors import TrapscanError
    from trapscan.job import Result, scan
    from trapscan.report import read_scan

__version__ = "0.1.0"

__all__ = ["Finding", "Result", "Scan", "TrapscanError", "read_scan", "scan"]

_HOMES = {
    "Finding": "trapscan.model",
    "Result": "trapscan.job",
    "Scan": "trapscan.model",
    "TrapscanError": "trapscan.errors",
    "read_scan": "trapscan.report",
    "scan": "trapscan.job",
}


def __getattr__(name: str) -> Any:
    """Public names are loaded when first used: `trapscan --help` needs no chance model."""
    if name not in _HOMES:
        raise AttributeError(f"module 'trapscan' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_HOMES[name]), name)
