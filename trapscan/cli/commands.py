"""What each command does: load what it needs (from `begun` on there may be something to keep), read the options, call
the library, say what came of it."""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from trapscan.cli.options import request_of
from trapscan.cli.streams import write_bytes
from trapscan.errors import EXIT_DONE, EXIT_PROBLEMS, InputError
from trapscan.levels import check_level
from trapscan.sanitize import on_disk, readable, sanitize

if TYPE_CHECKING:
    from trapscan.contract import Problem

MOST_BYTES = 64 * 2**20
"""Of a list of positions: some million of them, of which each takes milliseconds."""

TOLD_PROBLEMS = 20
"""So many problems are told one by one."""


def scan(options: argparse.Namespace) -> int:
    """`trapscan scan`."""
    from trapscan import report
    from trapscan.cli.onway import Reporting
    from trapscan.contract import Scan, encode_scan
    from trapscan.job import run_scan
    from trapscan.repertoire.rewrite import write_annotated

    def write(found: Scan) -> None:
        with report.Held() as held:
            report.write_scan(found, folder, held=held)
            report.write_reports(found, folder, held=held)
            write_annotated(found, report.entries_shown(found), folder, request.paths, held=held)

    options.begun()
    talk = not (options.quiet or options.json)
    with Reporting(write, shown=talk) as bar:
        request = request_of(options, progress=bar)
        folder = options.out or Path("reports") / on_disk(_name(request.paths))
        report.prepare_folder(folder)
        try:
            result = run_scan(request)
        except KeyboardInterrupt:
            bar.write_latest()
            raise
    write(result.scan)
    if options.json:
        write_bytes(encode_scan(result.scan))
    elif talk:
        print(report.terminal_summary(result.scan))
        print(result.stats.text())
        print(f"\nThe report is {sanitize(str(folder / 'report.html'))}; all files are in {sanitize(str(folder))}.")
    for note in result.stats.notes if not options.quiet else ():
        print(f"trapscan: {sanitize(note)}", file=sys.stderr)
    return _with_problems(result.scan.problems, folder / "scan.json", quiet=options.quiet)


def _with_problems(problems: Sequence[Problem], kept: Path | None, *, quiet: bool) -> int:
    """The exit code of what was done with these problems. The first of them are told; `kept`: where all of them are."""
    for problem in problems[:TOLD_PROBLEMS] if not quiet else ():
        where = f"{problem.file}, game {problem.game}, ply {problem.ply}: " if problem.file else ""
        print(f"trapscan: {sanitize(where + problem.text)}", file=sys.stderr)
    more = len(problems) - TOLD_PROBLEMS
    if more > 0 and not quiet:
        where = f", all in {sanitize(str(kept))}" if kept is not None else ""
        print(f"trapscan: and {more} more problems{where}", file=sys.stderr)
    return EXIT_PROBLEMS if problems else EXIT_DONE


def estimate(options: argparse.Namespace) -> int:
    """`trapscan estimate`."""
    from trapscan.job import run_estimate

    options.begun()
    found = run_estimate(request_of(options))
    print(json.dumps(found.numbers(), sort_keys=True) if options.json else found.text())
    return _with_problems(found.problems, None, quiet=options.quiet)


def engines(options: argparse.Namespace) -> int:
    """`trapscan engines`."""
    from trapscan.engines import engines_json, engines_table, survey

    options.begun()
    rows = survey(options.engine, fresh=options.fresh)
    if options.json:
        write_bytes(engines_json(rows) + b"\n")
    else:
        print(engines_table(rows))
    return EXIT_DONE


def report(options: argparse.Namespace) -> int:
    """`trapscan report`."""
    from trapscan.repertoire.rewrite import annotated_files, write_annotated
    from trapscan.report import Held, entries_shown, read_scan, write_reports

    options.begun()
    scan = read_scan(options.folder)
    home = _home(options.folder)
    folder = options.out or home
    chosen = entries_shown(
        scan,
        level=options.level,
        side=options.side,
        shown=options.shown,
        natures=tuple(options.nature),
        chapters=tuple(options.chapter),
    )
    with Held() as held:
        written = write_reports(
            scan,
            folder,
            level=options.level,
            side=options.side,
            shown=options.shown,
            natures=tuple(options.nature),
            chapters=tuple(options.chapter),
            seven_bit=options.ascii,
            held=held,
        )
        written += write_annotated(scan, chosen, folder, annotated_files(scan, home), held=held)
    print(f"Wrote {', '.join(readable(path.name) for path in written)} in {sanitize(str(folder))}.")
    return EXIT_DONE


def lesson(options: argparse.Namespace) -> int:
    """`trapscan lesson`."""
    from trapscan.report import lesson as choose
    from trapscan.report import read_scan, write_lesson
    from trapscan.report.lessons import NATURES

    options.begun()
    chosen = choose(
        read_scan(options.folder),
        level=options.level,
        count=options.count,
        side=options.side,
        chapters=tuple(options.chapter),
        motifs=tuple(options.motif),
        natures=tuple(options.nature) or NATURES,
        seed=options.seed,
        pin=tuple(options.pin),
        drop=tuple(options.drop),
        title=options.title,
    )
    folder = options.out or _home(options.folder) / "lesson"
    written = write_lesson(chosen, folder, paper=options.paper)
    if len(chosen.entries) < options.count:
        print(
            f"trapscan: only {len(chosen.entries)} of {options.count} positions are there to be chosen", file=sys.stderr
        )
    print(f"Wrote {', '.join(readable(path.name) for path in written)} in {sanitize(str(folder))}.")
    return EXIT_DONE


def compare(options: argparse.Namespace) -> int:
    """`trapscan compare`."""
    from trapscan.report import compare as between
    from trapscan.report import comparison_html, comparison_text, read_scan
    from trapscan.report.files import write_aside

    options.begun()
    comparison = between(read_scan(options.old), read_scan(options.new))
    print(comparison_text(comparison))
    if options.out is not None:
        write_aside(options.out, comparison_html(comparison).encode())
    return EXIT_DONE


def chance(options: argparse.Namespace) -> int:
    """`trapscan chance`."""
    from trapscan import settings
    from trapscan.chance import BATCH, boards_from_lines, chance_row, load_model, report_json, report_text
    from trapscan.job import joined_chances

    options.begun()
    lines = _lines_of(options.what)
    for level in options.level or ():
        check_level(level)
    given = {"levels": sorted(set(options.level)) if options.level else None, "time_control": options.time_control}
    chosen = settings.build({name: value for name, value in given.items() if value is not None})
    boards, model = boards_from_lines(lines), load_model(chosen.seconds)
    if options.engine:
        found = joined_chances(boards, chosen, engine=options.engine, store=options.store)
    else:
        parts = (boards[at : at + BATCH] for at in range(0, len(boards), BATCH))
        found = (chances for part in parts for chances in model.predict(part, chosen.levels))
    for board, chances in zip(boards, found, strict=True):
        row = chance_row(board, chosen.levels, chances, chosen.time_control)
        print(report_json(row) if options.json else report_text(row))
    return EXIT_DONE


def _lines_of(what: str) -> list[str]:
    """The lines of a file, or the one that was given instead of its name."""
    from trapscan import pgn

    path = Path(what)
    try:
        if not path.is_file():
            return [what]
    except (OSError, ValueError):  # too long for a name
        return [what]
    raw, data = pgn.read_all(path, MOST_BYTES)
    if max(len(raw), len(data)) > MOST_BYTES:
        raise InputError(f"'{path.name}' is larger than {MOST_BYTES // 2**20} MiB: split it")
    return pgn.decode(pgn.normalize(data)).splitlines()


def _home(folder_or_file: Path) -> Path:
    """The folder of a report that is named by its folder or by its scan.json."""
    return folder_or_file.parent if folder_or_file.is_file() else folder_or_file


def _name(files: Sequence[Path]) -> str:
    """The report's folder, named after the first file: letters, digits, dashes only, whatever the file is called."""
    stem = re.sub(r"[^\w-]+", "-", readable(files[0].stem)).strip("-")[:60] or "repertoire"
    return stem if len(files) == 1 else f"{stem}-and-{len(files) - 1}-more"
