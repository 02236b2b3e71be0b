"""What each command does: read the options, call the library, say what came of it."""

from __future__ import annotations

import argparse
import re
import sys
import tomllib
from pathlib import Path
from typing import Any

from trapscan.cli.bar import Bar
from trapscan.errors import EXIT_DONE, EXIT_PROBLEMS, SettingsError


def scan(options: argparse.Namespace) -> int:
    """`trapscan scan`."""
    from trapscan import report
    from trapscan.job import scan as run_scan
    from trapscan.model import encode_scan

    talk = not (options.quiet or options.json)
    folder = options.out or Path("reports") / _name(options.files)
    with Bar(shown=talk) as bar:
        result = run_scan(
            options.files,
            side=options.side,
            engine=options.engine,
            preset=options.preset,
            jobs=options.jobs,
            store=options.store,
            title=options.title,
            progress=bar,
            level=options.level,
            beyond=options.beyond,
            **_overrides(options.overrides),
        )
    report.write_scan(result.scan, folder)
    report.write_reports(result.scan, folder)
    if options.json:
        sys.stdout.write(encode_scan(result.scan).decode())
    elif talk:
        print(report.terminal_summary(result.scan))
        print(result.stats.text())
        print(f"\nThe report is {folder / 'report.html'}; all files are in {folder}.")
    for problem in result.scan.problems[:20] if not options.quiet else ():
        where = f"{problem.file}, game {problem.game}, ply {problem.ply}: " if problem.file else ""
        print(f"trapscan: {where}{problem.text}", file=sys.stderr)
    more = len(result.scan.problems) - 20
    if more > 0 and not options.quiet:
        print(f"trapscan: and {more} more problems, all in {folder / 'scan.json'}", file=sys.stderr)
    return EXIT_PROBLEMS if result.scan.problems else EXIT_DONE


def engines(options: argparse.Namespace) -> int:
    """`trapscan engines`."""
    from trapscan.engines import engines_json, engines_table, survey

    rows = survey(options.engine, fresh=options.fresh)
    print(engines_json(rows).decode() if options.json else engines_table(rows))
    return EXIT_DONE


def _name(files: list[Path]) -> str:
    """The report's folder, named after the first file: letters, digits, dashes only, whatever the file is called."""
    stem = re.sub(r"[^\w-]+", "-", files[0].stem).strip("-")[:60] or "repertoire"
    return stem if len(files) == 1 else f"{stem}-and-{len(files) - 1}-more"


def _overrides(pairs: list[str]) -> dict[str, Any]:
    """`NAME=VALUE` options as plain values; a value that is no TOML is taken as text."""
    values: dict[str, Any] = {}
    for pair in pairs:
        name, equals, text = pair.partition("=")
        if not equals or not re.fullmatch(r"\w+", name):
            raise SettingsError(f"--set {pair!r}: write NAME=VALUE, for example --set threshold=0.15")
        try:
            values[name] = tomllib.loads(f"value = {text}")["value"]
        except tomllib.TOMLDecodeError:
            values[name] = text
    return values
