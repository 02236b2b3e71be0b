"""What the browser tests share: the pages' scans, and the questions put to a page."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import chess
import msgspec

from tests.report.sample_scans import make_scan, trap_finding, traps
from trapscan.contract import Finding, MoveText, Refutation, Scan, Side
from trapscan.levels import Lens
from trapscan.order import ranked, section_of
from trapscan.report.rows import SECTIONS

Visit = Callable[..., Any]


def moves(text: str) -> list[str]:
    return text.split()


def special_scan() -> Scan:
    """Castling on both sides, a capture en passant and an under-promotion, on the way and in the continuation."""
    line = moves("e4 a6 e5 d5 exd6 Nf6 Nf3 g6 Be2 Bg7 O-O O-O dxc7 Nc6 d4 Bd7 d5 Na7")
    board = chess.Board()
    for san in line:
        board.push_san(san)
    finding = msgspec.structs.replace(
        trap_finding(traps()[0], 0),
        victim=Side.WHITE,
        fen=board.fen(en_passant="legal"),
        line=tuple(line),
        slip=MoveText(san="cxd8=N", uci="c7d8n"),
        refutation=Refutation(san="Rfxd8", uci="f8d8", line=("Rfxd8", "c4", "b5", "b4", "bxc4")),
        also=(),
        instead=(),
        look_alikes=(),
        cp_best=10,
        cp_slip=-300,
    )
    long = moves("e4 c5 Nf3 d6 d4 cxd4 Nxd4 Nf6 Nc3 g6 Be3 Bg7 f3 O-O Qd2 Nc6")
    board = chess.Board()
    for san in long:
        board.push_san(san)
    other = msgspec.structs.replace(
        finding,
        id="long castling",
        fen=board.fen(en_passant="legal"),
        line=tuple(long),
        slip=MoveText(san="O-O-O", uci="e1c1"),
        refutation=Refutation(san="Nxd4", uci="c6d4", line=("Nxd4", "Bxd4", "Be6")),
    )
    return make_scan((finding, other))


def expected(scan: Scan, level: float, keep: Callable[[Finding], bool] = lambda finding: True) -> list[str]:
    """The ids in the page's order, by the library."""
    by_toll = ranked(scan.findings, Lens(scan.levels, level))
    return [f.id for section in SECTIONS for f in by_toll if section_of(f) == section.key and keep(f)]


def shown(page: Any) -> list[str]:
    page.wait_for_timeout(60)
    ids: list[str] = page.evaluate(
        "[...document.querySelectorAll('section:not([hidden]) article')]"
        ".map((node) => DATA.findings[Number(node.id.slice(1))].id)"
    )
    return ids


def set_level(page: Any, level: int) -> None:
    page.locator("#level").fill(str(page.evaluate("DATA.stops").index(level)))


def faults(page: Any, axe: str) -> list[str]:
    page.evaluate(axe)
    result = page.evaluate("axe.run(document, {resultTypes: ['violations']})")
    assert result["testEngine"]["name"] == "axe-core"
    grave = [found for found in result["violations"] if found["impact"] in ("serious", "critical")]
    return [f"{found['id']}: {found['nodes'][0]['html'][:200]}" for found in grave]
