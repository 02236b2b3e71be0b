"""Everything a person or another tool reads, rendered from a scan alone."""

from trapscan.report.files import read_scan, write_scan
from trapscan.report.levels import at_level
from trapscan.report.render import write_reports
from trapscan.report.schema import scan_schema
from trapscan.report.tables import terminal_summary

__all__ = [
    "at_level",
    "read_scan",
    "scan_schema",
    "terminal_summary",
    "write_reports",
    "write_scan",
]
