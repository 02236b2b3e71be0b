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

from trapscan.contract import BaitFinding, Finding, Scan, SlipFinding
from trapscan.plain import plain
from trapscan.report.lines import lines_of
from trapscan.report.markdown import summary
from trapscan.report.men import symbols
from trapscan.report.text import FAIR_PLAY, GAIN_WORDS, score_words
from trapscan.report.view import (
    SECTIONS,
    board_at,
    board_of_finding,
    card,
    extra_sentences,
    kind_words,
    marked,
    opening_family,
    section_of,
    slip_sign,
)

SCRIPTS = ("data.js", "board.js", "card.js", "groups.js", "tree.js", "page.js")
MAX_PROBLEMS = 200


def page_in_pieces(scan: Scan, level: float, shown: int) -> Iterator[str]:
    """The report as one self-contained page, ranked for `level` at first, `shown` cards of a kind at first; a finding
    at a time, as a whole opening book has tens of thousands."""
    style = asset("page.css")
    script = "".join(asset(name) for name in SCRIPTS)
    used = [
        (kind, heading, about) for kind, heading, about in SECTIONS if any(section_of(f) == kind for f in scan.findings)
    ]
    sections = [{"kind": kind, "heading": heading, "about": about} for kind, heading, about in used]
    data = {
        "levels": list(scan.levels),
        "level": min(max(level, scan.levels[0]), scan.levels[-1]),
        "shown": shown,
        "sections": sections,
        "kinds": [kind for kind, _, _ in SECTIONS],
        "standard": chess.STARTING_FEN,
        "findings": [],
        "tree": tree_data(scan),
    }
    problems = [
        plain(f"{problem.file}, game {problem.game}, ply {problem.ply}: {problem.text}", limit=400)
        for problem in scan.problems[:MAX_PROBLEMS]
    ]
    if len(scan.problems) > MAX_PROBLEMS:
        problems.append(f"... and {len(scan.problems) - MAX_PROBLEMS} more, in scan.json")
    frame = (
        environment()
        .get_template("page.html.j2")
        .render(
            policy=policy(script, style),
            title=page_title(scan),
            style=Markup(style),
            summary=summary(scan, level),
            fair_play=FAIR_PLAY,
            problems=problems,
            problem_count=len(scan.problems),
            low=scan.levels[0],
            high=scan.levels[-1],
            sections=sections,
            footer=plain(
                f"trapscan {scan.tool.version}; {scan.engine.name}; {scan.counters.positions} positions, "
                f"{scan.counters.candidates} moves examined, {scan.counters.engine_nodes} engine nodes."
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
        yield ("," if number else "") + inert(finding_data(finding, scan, level))
    yield after


def page_title(scan: Scan) -> str:
    """The scan's title, or one that says what it is."""
    return plain(scan.title, limit=300) or "Tricks and pitfalls"


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


def finding_data(finding: Finding, scan: Scan, level: float) -> dict[str, Any]:
    """What the page's scripts need of a finding: moves as [SAN, UCI], words as plain text, numbers for every level."""
    words = card(finding, scan, level)
    slip = finding if isinstance(finding, SlipFinding) else None
    balance = None
    if isinstance(finding, BaitFinding):
        details = finding.bait_details
        balance = {
            name: _short(values) if len(values) == len(scan.levels) else []
            for name, values in (
                ("price", details.price), ("gain", details.slips_gain), ("net", details.net),
                ("low", details.net_low), ("high", details.net_high),
            )
        }  # fmt: skip
    return {
        "id": plain(finding.id, limit=100),
        "kind": kind_words(finding),
        "section": section_of(finding),
        "victim": finding.victim,
        "owner": finding.owner,
        "fen": finding.fen,
        "start": finding.start_fen,
        "title": words.title,
        "line": moves_of(board_at(finding.start_fen), finding.line),
        "lineText": words.line,
        "orders": words.orders,
        "plays": _plays(finding),
        "opening": words.opening,
        "eco": plain(finding.opening.eco, limit=10) if finding.opening else "",
        "group": plain(opening_family(finding), limit=100),
        "gain": GAIN_WORDS[finding.gain].split(" ")[-1],
        "motifs": [plain(motif, limit=60) for motif in finding.motifs],
        "tempting": words.tempting,
        "fails": words.fails,
        "also": words.also,
        "instead": words.instead,
        "evidence": words.evidence,
        "extra": list(extra_sentences(finding, scan)),
        "balance": balance,
        "known": list(finding.must_know),
        "n": {name: _short(getattr(finding, name)) for name in ("chance", "find", "reach", "cost", "toll")},
        "twins": [
            {
                "fen": twin.fen,
                "squares": list(twin.squares),
                "text": plain(f"{score_words(twin.cp_move)} instead of {score_words(finding.cp_slip)}. {twin.reason}"),
            }
            for twin in (slip.look_alikes[:3] if slip else ())
        ],
    }


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


def _short(values: Sequence[float]) -> list[float]:
    return [float(f"{value:.9g}") for value in values]


def _plays(finding: Finding) -> list[dict[str, Any]]:
    """The continuations to play on the board; `slip` is the index of the slip among the moves (-1: there is none)."""
    board = board_of_finding(finding)
    if isinstance(finding, SlipFinding):
        moves = moves_of(board, (finding.slip.san, *finding.punishment))
        _sign(moves, 0, slip_sign(finding.cp_best, finding.cp_slip))
        return [{"label": "Refutation", "slip": 0, "moves": moves}]
    plays = []
    for reply in finding.replies:
        moves = moves_of(board, (finding.bait.san, reply.slip.san, *reply.refutation.moves))
        _sign(moves, 1, slip_sign(reply.cp_best, reply.cp_slip))
        plays.append({"label": f"If {plain(reply.slip.san, limit=12)}", "slip": 1, "moves": moves})
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
