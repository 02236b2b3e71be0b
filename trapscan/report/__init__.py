"""Everything a person or another tool reads, rendered from a scan alone."""

from trapscan.report.changes import Comparison, compare, comparison_html, comparison_text
from trapscan.report.files import Held, prepare_folder, write_scan
from trapscan.report.lessons import Lesson, lesson
from trapscan.report.reading import read_scan
from trapscan.report.render import entries_shown, write_reports
from trapscan.report.schema import scan_schema
from trapscan.report.sheets import write_lesson
from trapscan.report.tables import terminal_summary

__all__ = [
    "Comparison",
    "Held",
    "Lesson",
    "compare",
    "comparison_html",
    "comparison_text",
    "entries_shown",
    "lesson",
    "prepare_folder",
    "read_scan",
    "scan_schema",
    "terminal_summary",
    "write_lesson",
    "write_reports",
    "write_scan",
]
