"""trapscan finds the opening tricks and pitfalls in a repertoire with any UCI engine.

    import trapscan
    result = trapscan.scan(["black.pgn"], side="black", level=1400)
    for finding in result.scan.slips:
        print(finding.line, finding.slip.san, finding.refutation)

Public names:

    scan          files and options in, a `Result` out; the options are the fields of `ScanRequest`
    run_scan      the same for a `ScanRequest`
    ScanRequest   what to scan and how
    Progress      to be derived from: what a scan tells while it runs
    Result        `.scan`, the report's content, and `.stats`, how the run went
    read_scan     a written report back as a `Scan`
    Scan          the typed content of scan.json
    Finding       one finding of it: a `SlipFinding` or a `BaitFinding`
    TrapscanError base of every error raised on purpose
"""

from __future__ import annotations

TYPE_CHECKING = False  # as in typing, which would come before Ctrl-C can be minded (cli.interrupts)

if TYPE_CHECKING:
    from trapscan.contract import BaitFinding, Finding, Scan, SlipFinding
    from trapscan.errors import TrapscanError
    from trapscan.job import Result, run_scan, scan
    from trapscan.progress import Progress
    from trapscan.report import read_scan
    from trapscan.request import ScanRequest

__version__ = "0.1.0"

__all__ = [
    "BaitFinding",
    "Finding",
    "Progress",
    "Result",
    "Scan",
    "ScanRequest",
    "SlipFinding",
    "TrapscanError",
    "read_scan",
    "run_scan",
    "scan",
]

_HOMES = {
    "BaitFinding": "trapscan.contract",
    "Finding": "trapscan.contract",
    "Progress": "trapscan.progress",
    "Result": "trapscan.job",
    "Scan": "trapscan.contract",
    "ScanRequest": "trapscan.request",
    "SlipFinding": "trapscan.contract",
    "TrapscanError": "trapscan.errors",
    "read_scan": "trapscan.report",
    "run_scan": "trapscan.job",
    "scan": "trapscan.job",
}


if not TYPE_CHECKING:  # who checks types sees the names above and no others

    def __getattr__(name: str) -> object:
        """Public names are loaded when first used: `trapscan --help` needs no chance model."""
        if name not in _HOMES:
            raise AttributeError(f"module 'trapscan' has no attribute {name!r}")
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
