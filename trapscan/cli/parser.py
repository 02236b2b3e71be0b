"""The commands, their options and their help."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import trapscan
from trapscan.cli import commands
from trapscan.cli.options import add_option, add_options
from trapscan.sanitize import sanitize

if TYPE_CHECKING:
    Commands = argparse._SubParsersAction["Parser"]

FAIR_PLAY = """\
For preparation and teaching only. An engine may not be used during play: see the FIDE Laws of Chess, and the fair-play
rules of each site and organiser."""


class Parser(argparse.ArgumentParser):
    """Names unknown words without what could steer a terminal."""

    def error(self, message: str) -> NoReturn:
        super().error(sanitize(message))


def build_parser() -> Parser:
    """The parser; each command's namespace carries the function to run as `run`."""
    parser = Parser(
        prog="trapscan",
        description="Find the opening tricks and pitfalls in a repertoire with any UCI engine.",
        epilog=FAIR_PLAY + "\n\nEach command has its own help with examples: trapscan scan --help",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"trapscan {trapscan.__version__}")
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    _scan(subparsers)
    _estimate(subparsers)
    _report(subparsers)
    _lesson(subparsers)
    _compare(subparsers)
    _chance(subparsers)
    _engines(subparsers)
    return parser


def _command(subparsers: Commands, name: str, summary: str, examples: str) -> Parser:
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
        "  trapscan scan black.pgn --engine stockfish --second-engine ./my-engine\n"
        "  trapscan scan black.pgn --games club.pgn book.bin\n"
        "  trapscan scan black.pgn --games her-games.pgn.gz --player 'Otter, Olga'\n"
        "  trapscan scan black.pgn --cluster tcp://192.168.1.10:8786\n"
        "  trapscan scan black.pgn --baits --level 1200\n"
        "  trapscan scan black.pgn --level 1800 --time-control 5400+30\n"
        "  trapscan scan black.pgn --set threshold=0.15 --set max_candidates=20",
    )
    parser.set_defaults(run=commands.scan)
    _scan_options(parser)


def _estimate(subparsers: Commands) -> None:
    parser = _command(
        subparsers,
        "estimate",
        "say what a scan will cost: positions, searches, engine nodes and minutes, with and without baits",
        "  trapscan estimate black.pgn\n"
        "  trapscan estimate white.pgn --side white --preset deep --jobs 8\n"
        "  trapscan estimate black.pgn --engine embedded --beyond 0",
    )
    parser.set_defaults(run=commands.estimate)
    _scan_options(parser)


def _scan_options(parser: argparse.ArgumentParser) -> None:
    """What `scan` takes, and `estimate` with it: the options of the request, and what is done with the answer."""
    add_options(parser)
    parser.add_argument("--out", type=Path, metavar="DIR", help="folder for the report (default reports/<name>)")
    output = parser.add_mutually_exclusive_group()
    output.add_argument("--quiet", action="store_true", help="say nothing but errors")
    output.add_argument("--json", action="store_true", help="print scan.json to standard output")


def _written_report(
    parser: argparse.ArgumentParser, *, level: str, level_required: bool, side: str, out: str, nature: str
) -> None:
    """What the commands that render a written report have in common; the texts are help."""
    parser.add_argument("folder", metavar="DIR", type=Path, help="folder of a report, or its scan.json")
    parser.add_argument("--level", type=int, required=level_required, metavar="ELO", help=level)
    parser.add_argument("--side", choices=("white", "black"), help=side)
    parser.add_argument("--out", type=Path, metavar="DIR", help=out)
    parser.add_argument("--nature", action="append", default=[], metavar="N", help=nature)
    parser.add_argument(
        "--chapter",
        action="append",
        default=[],
        metavar="C",
        help="only this chapter, by its number or a part of its title; can be repeated",
    )


def _report(subparsers: Commands) -> None:
    parser = _command(
        subparsers,
        "report",
        "write all files of a report again from its scan.json, without an engine",
        "  trapscan report reports/black --level 1800\n  trapscan report reports/both --side white --out reports/white",
    )
    parser.set_defaults(run=commands.report)
    _written_report(
        parser,
        level="level to rank for (default: the scan's)",
        level_required=False,
        side="one side of a scan of both",
        out="another folder for the files (default DIR)",
        nature="only findings of this nature: tactic, oversight, gambit, positional, forgone; can be repeated",
    )
    parser.add_argument("--shown", type=int, metavar="N", help="ideas of a section shown at first")
    parser.add_argument("--ascii", action="store_true", help="keep the PGN and EPD files within ASCII")


def _lesson(subparsers: Commands) -> None:
    parser = _command(
        subparsers,
        "lesson",
        "choose warning positions for a group of one level and write question and answer sheets",
        "  trapscan lesson reports/black --level 1400 --count 12\n"
        "  trapscan lesson reports/black --level 1200 --count 6 --motif fork --title 'Tuesday group' --paper letter",
    )
    parser.set_defaults(run=commands.lesson)
    _written_report(
        parser,
        level="level of the group",
        level_required=True,
        side="only positions where this side may go wrong",
        out="folder for the sheets (default DIR/lesson)",
        nature="only slips of this nature (default: tactic and oversight); can be repeated",
    )
    parser.add_argument("--count", type=int, required=True, metavar="N", help="how many positions")
    parser.add_argument("--motif", action="append", default=[], metavar="M", help="only these motifs; can be repeated")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="another choice of the same worth")
    parser.add_argument("--pin", action="append", default=[], metavar="ID", help="a position that must be there")
    parser.add_argument("--drop", action="append", default=[], metavar="ID", help="a position that must not be there")
    parser.add_argument("--title", default="", help="title of the sheets")
    parser.add_argument("--paper", choices=("a4", "letter"), default="a4", help="paper size (default a4)")


def _compare(subparsers: Commands) -> None:
    parser = _command(
        subparsers,
        "compare",
        "say what a change of the repertoire, engine or level did: new, gone and changed findings",
        "  trapscan compare reports/black-june reports/black\n"
        "  trapscan compare reports/old reports/new --out changes.html",
    )
    parser.set_defaults(run=commands.compare)
    parser.add_argument("old", metavar="OLD", type=Path, help="folder of the earlier report, or its scan.json")
    parser.add_argument("new", metavar="NEW", type=Path, help="folder of the later report, or its scan.json")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write the comparison as a page as well")


def _chance(subparsers: Commands) -> None:
    parser = _command(
        subparsers,
        "chance",
        "say how likely players of each level are to choose each move",
        "  trapscan chance 'rnbqkbnr/pppp1ppp/8/4p3/4P3/8/PPPP1PPP/RNBQKBNR w KQkq - 0 2'\n"
        "  trapscan chance lines.txt --level 1200 --level 1800 --json\n"
        "  trapscan chance lines.txt --engine stockfish\n"
        "  trapscan chance lines.txt --time-control 5400+30",
    )
    parser.set_defaults(run=commands.chance)
    parser.add_argument("what", metavar="FEN|FILE", help="a position, an EPD/FEN list, or a text file of SAN lines")
    parser.add_argument("--level", type=int, action="append", metavar="ELO", help="levels; can be repeated")
    add_option(parser, "time_control")
    parser.add_argument(
        "--engine", metavar="PATH", help="a UCI engine whose losses correct the chances, as in a scan (default: none)"
    )
    parser.add_argument("--store", type=Path, metavar="FILE", help="file that keeps all engine answers")
    parser.add_argument("--json", action="store_true", help="one JSON object a line")


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
