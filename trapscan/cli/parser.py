"""The commands, their options and their help."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

import trapscan
from trapscan.cli import commands
from trapscan.settings import PRESETS

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction[argparse.ArgumentParser]

FAIR_PLAY = """\
For preparation and teaching only. An engine may not be used during play: see the FIDE Laws of Chess, and the fair-play
rules of each site and organiser."""


def build_parser() -> argparse.ArgumentParser:
    """The parser; each command's namespace carries the function to run as `run`."""
    parser = argparse.ArgumentParser(
        prog="trapscan",
        description="Find the opening tricks and pitfalls in a repertoire with any UCI engine.",
        epilog=FAIR_PLAY + "\n\nEach command has its own help with examples: trapscan scan --help",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"trapscan {trapscan.__version__}")
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _scan(subparsers)
    _engines(subparsers)
    return parser


def _command(subparsers: Commands, name: str, summary: str, examples: str) -> argparse.ArgumentParser:
    return subparsers.add_parser(
        name,
        help=summary,
        description=summary[0].upper() + summary[1:] + ".",
        epilog="examples:\n" + examples,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def _engine_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--engine",
        metavar="PATH",
        help="UCI engine: a path, a command line, or 'embedded' (default: TRAPSCAN_ENGINE, else the best one found)",
    )


def _scan(subparsers: Commands) -> None:
    parser = _command(
        subparsers,
        "scan",
        "find the tricks and pitfalls in a repertoire and write the report",
        "  trapscan scan black.pgn\n"
        "  trapscan scan white.pgn notes.txt --side white --level 1400\n"
        "  trapscan scan black.pgn --preset deep --jobs 8 --out reports/black-deep\n"
        "  trapscan scan black.pgn --set threshold=0.15 --set max_candidates=20",
    )
    parser.set_defaults(run=commands.scan)
    parser.add_argument("files", metavar="FILE", nargs="+", type=Path, help="PGN, EPD/FEN list, or text of SAN lines")
    parser.add_argument(
        "--side", choices=("white", "black", "both"), help="whose repertoire it is (default: read off the tree)"
    )
    parser.add_argument("--level", type=int, metavar="ELO", help="level to rank for (default 1500)")
    _engine_options(parser)
    parser.add_argument(
        "--second-engine", metavar="PATH", help="another engine that every finding is put to; its verdict is shown"
    )
    parser.add_argument(
        "--preset",
        default="standard",
        metavar="NAME|FILE",
        help=f"{', '.join(PRESETS)}, or a TOML file of your own (default standard)",
    )
    parser.add_argument("--beyond", type=int, metavar="PLIES", help="plies to go on past each line (default 2)")
    parser.add_argument(
        "--set",
        dest="overrides",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="override any setting of the preset, in TOML spelling; can be repeated",
    )
    parser.add_argument("--jobs", type=int, metavar="N", help="positions examined at once (default: one per core)")
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the report (default reports/<name>)")
    parser.add_argument("--title", default="", help="title of the report (default: the files' names)")
    parser.add_argument("--store", type=Path, metavar="FILE", help="file that keeps all engine answers")
    output = parser.add_mutually_exclusive_group()
    output.add_argument("--quiet", action="store_true", help="say nothing but errors")
    output.add_argument("--json", action="store_true", help="print scan.json to standard output")


def _engines(subparsers: Commands) -> None:
    parser = _command(
        subparsers,
        "engines",
        "list the engines found and what each can really do, by measurement",
        "  trapscan engines\n  trapscan engines --engine ./my-engine --json\n  trapscan engines --fresh",
    )
    parser.set_defaults(run=commands.engines)
    _engine_options(parser)
    parser.add_argument("--json", action="store_true", help="print the measurements as JSON")
    parser.add_argument("--fresh", action="store_true", help="measure again, even what is known")
