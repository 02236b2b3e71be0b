"""report.html: one file with everything in it. The findings travel as inert JSON; the scripts put every text in as
text, and the content policy allows nothing but the page's own script and style, by their hashes."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Sequence
from importlib import resources
from typing import Any

import chess
import jinja2
from markupsafe import Markup

from trapscan.contract import Finding, Scan, SlipFinding
from trapscan.order import ALIKE, FIRST, NEAR, often_at, section_of, toll_at, worthy
from trapscan.report.entry import Entry
from trapscan.report.filing import addition
from trapscan.report.lines import lines_of
from trapscan.report.owned import STATES
from trapscan.report.piece_svg import symbols
from trapscan.report.present import Presentation
from trapscan.report.rows import FIGURES, ROWS, SECTIONS, RowKind
from trapscan.report.text import FAIR_PLAY, once
from trapscan.report.words import board_at, board_of_finding, marked, motifs_of, opening_family, sign_of, slip_sign
from trapscan.sanitize import sanitize

SCRIPTS = ("data.js", "board.js", "card.js", "groups.js", "tree.js", "page.js")
MAX_PROBLEMS = 200
MAX_TWINS = 3
MAX_FINDINGS = 100_000
"""The page holds no more: a browser takes them as one text, of half a gigabyte at most."""
CARD_FIGURES = tuple(kind for kind in FIGURES if kind.card)


def page_in_pieces(shown: Presentation, few: int) -> Iterator[str]:
    """The report as one self-contained page, at first at the presentation's level and with `few` cards of a section; a
    finding at a time, as a whole opening book has tens of thousands."""
    style = asset("page.css")
    script = "".join(asset(name) for name in SCRIPTS)
    summary = shown.summary
    if len(shown.scan.findings) > MAX_FINDINGS:
        summary += f" This page holds the {MAX_FINDINGS:,} that stand first; findings.csv and findings.jsonl hold all."
    shown = shown.at_most(MAX_FINDINGS)
    scan = shown.scan
    used = {section_of(outline) for outline in shown.outlines}
    sections = [
        {"key": s.key, "heading": s.heading, "about": s.about, "closed": s.closed} for s in SECTIONS if s.key in used
    ]
    low, high = shown.stops[0], shown.stops[-1]
    data = {
        "stops": shown.stops,
        "level": min(max(shown.level, low), high),
        "shown": few,
        "first": FIRST,
        "alike": ALIKE,
        "near": NEAR,
        "sections": sections,
        "kinds": [section.key for section in SECTIONS],
        "rows": [{"key": kind.key, "name": kind.name} for kind in ROWS],
        "figures": [{"key": kind.key, "name": kind.name, "unit": kind.unit} for kind in CARD_FIGURES],
        "standard": chess.STARTING_FEN,
        "chapters": [{"title": sanitize(c.title, limit=160), "side": c.side} for c in scan.chapters],
        "states": [{"key": state, "name": name} for state, name in STATES.items()],
        "findings": [],
        "tree": tree_data(scan),
    }
    counters = scan.counters
    frame = (
        environment()
        .get_template("page.html.j2")
        .render(
            policy=policy(script, style),
            title=shown.title,
            style=Markup(style),
            summary=summary,
            unfinished=shown.unfinished,
            fair_play=FAIR_PLAY,
            problems=shown.problems(MAX_PROBLEMS),
            problem_count=len(scan.problems),
            stops=shown.stops,
            chapters=scan.chapters,
            sections=sections,
            footer=sanitize(
                f"trapscan {scan.tool.version}; {scan.engine.name}; {counters.positions} positions, "
                f"{counters.candidates} moves examined, {counters.engine_nodes} engine nodes."
            ),
            men=Markup(symbols()),
            data=Markup(inert(data)),
            script=Markup(script),
        )
    )
    before, tag, element = frame.partition('<script type="application/json" id="data">')
    opening, key, after = element.partition('"findings":[')
    yield before + tag + opening + key
    for number, finding in enumerate(scan.findings):
        yield ("," if number else "") + inert(finding_data(finding, number, shown))
    yield after


def environment() -> jinja2.Environment:
    """The templates of the HTML forms; everything put in is escaped unless it is marked as markup of our own."""
    return jinja2.Environment(
        loader=jinja2.PackageLoader("trapscan.report", "web"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )


def asset(name: str) -> str:
    """A shipped script or style sheet, with line feeds only, as its hash in the content policy needs it."""
    text = resources.files("trapscan.report").joinpath("web", name).read_text(encoding="utf-8")
    return text.replace("\r\n", "\n")


def policy(script: str, style: str) -> str:
    """The content policy: nothing from anywhere, and only this script and this style sheet."""
    parts = ["default-src 'none'", f"style-src '{digest(style)}'", "base-uri 'none'", "form-action 'none'"]
    if script:
        parts.insert(1, f"script-src '{digest(script)}'")
    return "; ".join(parts)


def digest(text: str) -> str:
    """A source hash as the content policy writes it."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()


def inert(data: Any) -> str:
    """JSON that cannot end its script element, whatever text it holds."""
    text = json.dumps(data, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")


def finding_data(finding: Finding, number: int, shown: Presentation) -> dict[str, Any]:
    """What the page's scripts need of a finding, the scan's `number`th: moves as [SAN, UCI], words as plain text; what
    hangs on the level once for each stop."""
    entry = shown.entry(finding)
    at_stops = [Entry(finding, lens, titles=shown.titles) for lens in shown.lenses]
    return {
        "id": entry.id,
        "kind": entry.kind,
        "nature": finding.nature,
        "idea": sanitize(finding.idea or finding.id, limit=100),
        "where": sanitize(opening_family(finding), limit=60),
        "happens": [once(share) for share in _happens(finding, shown)],
        "section": entry.section,
        "worthy": [worthy(finding, lens) for lens in shown.lenses],
        "chapters": list(finding.chapters),
        "state": finding.state if isinstance(finding, SlipFinding) else "",
        "add": addition(finding),
        "victim": finding.victim,
        "owner": finding.owner,
        "fen": finding.fen,
        "start": finding.start_fen,
        "title": entry.title,
        "line": moves_of(board_at(finding.start_fen), finding.line),
        "plays": _plays(finding),
        "eco": sanitize(finding.opening.eco, limit=10) if finding.opening else "",
        "group": sanitize(opening_family(finding), limit=100),
        "gain": entry.gain,
        "motifs": motifs_of(finding),
        "words": {row.kind.key: _words(row.kind, entry, at_stops) for row in entry.rows},
        "figures": {kind.key: [one.figures[kind.key] for one in at_stops] for kind in CARD_FIGURES},
        "known": [one.must_know for one in at_stops],
        "chance": [round(lens.value(finding.chance), 6) for lens in shown.lenses],
        "tolls": [toll_at(finding, lens) for lens in shown.lenses],
        "places": {order: [places[number] for places in columns] for order, columns in shown.places.items()},
        "twins": [
            {"fen": twin.fen, "squares": list(twin.squares), "text": twin.text} for twin in entry.twins[:MAX_TWINS]
        ],
    }


def _happens(finding: Finding, shown: Presentation) -> Sequence[float]:
    """How often its idea happens, at each stop."""
    return shown.together.get(finding.idea) or [often_at(finding, lens) for lens in shown.lenses]


def _words(kind: RowKind, entry: Entry, at_stops: Sequence[Entry]) -> str | list[str]:
    """A row's paragraphs, a line each; one text for every stop where it hangs on the level."""
    if kind.by_level:
        return ["\n".join(one.told(kind)) for one in at_stops]
    return "\n".join(entry.told(kind))


def tree_data(scan: Scan) -> dict[str, Any]:
    """The repertoire's tree: parents, moves, start positions, where moves join other lines, the findings' nodes."""
    lines = lines_of(scan)
    return {
        "up": lines.parents,
        "san": [san for san, _ in lines.moves],
        "uci": [uci for _, uci in lines.moves],
        "starts": lines.starts,
        "joins": lines.joins,
        "at": lines.at,
        "beyond": lines.beyond,
    }


def _plays(finding: Finding) -> list[dict[str, Any]]:
    """The continuations to play on the board; `slip` is the index of the slip among the moves (-1: there is none)."""
    board = board_of_finding(finding)
    if isinstance(finding, SlipFinding):
        moves = moves_of(board, (finding.slip.san, *finding.punishment))
        _sign(moves, 0, sign_of(finding))
        plays = [{"label": "Refutation", "slip": 0, "moves": moves}]
        if finding.likely_line:
            likely = moves_of(board, (finding.slip.san, *finding.likely_line))
            _sign(likely, 0, sign_of(finding))
            plays.append({"label": "As it will be played", "slip": 0, "moves": likely})
        return plays
    plays = []
    for reply in finding.replies:
        moves = moves_of(board, (finding.bait.san, reply.slip.san, *reply.refutation.moves))
        _sign(moves, 1, slip_sign(reply.cp_best, reply.cp_slip))
        plays.append({"label": f"If {sanitize(reply.slip.san, limit=12)}", "slip": 1, "moves": moves})
    if finding.bait_details.otherwise:
        moves = moves_of(board, (finding.bait.san, *finding.bait_details.otherwise))
        plays.append({"label": "If they do not fall for it", "slip": -1, "moves": moves})
    return plays or [{"label": "The bait", "slip": -1, "moves": moves_of(board, (finding.bait.san,))}]


def _sign(moves: list[list[str]], slip: int, sign: str) -> None:
    """Put the signs to the slip and to the reply."""
    for index, mark in ((slip, sign), (slip + 1, "!")):
        if index < len(moves):
            moves[index][0] = marked(moves[index][0], mark)


def moves_of(board: chess.Board, sans: Sequence[str]) -> list[list[str]]:
    """SAN moves as [SAN, UCI]; stops at the first that cannot be played."""
    board, moves = board.copy(stack=False), []
    for san in sans:
        try:
            move = board.parse_san(san)
        except ValueError:
            break
        moves.append([board.san(move), move.uci()])
        board.push(move)
    return moves
