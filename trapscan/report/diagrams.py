"""Boards as SVG for the forms without a script: lesson sheets (HTML and PDF) and the comparison. The same geometry
and signs as the page's own boards: a slip is a dashed line with a ring, a refutation a solid one with a point."""

from __future__ import annotations

import math
from collections.abc import Sequence

import chess

from trapscan.report.piece_svg import man
from trapscan.report.text import position_words

UNIT = 45
LIGHT, DARK, INK = "#f6f2f4", "#c3b5c4", "#23212b"
SLIP, ANSWER = "#a3380f", "#0d5c56"

Arrow = tuple[str, str]
"""A move in UCI and what it is: "slip" or "refutation"."""


def board_svg(board: chess.Board, *, black_below: bool = False, arrows: Sequence[Arrow] = (), use: bool = False) -> str:
    """The position as one SVG element. With `use`, for HTML: men defined elsewhere in the document (`men.symbols`) and
    coordinates; without, for the PDF writer: the bare board of 360 units, each man drawn."""
    parts = [_rect(0, 0, 360, f'fill="{LIGHT}"')]
    dark = "".join(
        f"M{column * UNIT} {row * UNIT}h45v45h-45z" for row in range(8) for column in range(8) if (row + column) % 2
    )
    parts.append(f'<path d="{dark}" fill="{DARK}"/>')
    for square, piece in sorted(board.piece_map().items()):
        x, y = corner(square, black_below)
        letter = piece.symbol()
        if use:
            name = ("w" if letter.isupper() else "b") + letter.lower()
            parts.append(f'<use href="#man-{name}" x="{x}" y="{y}"/>')
        else:
            parts.append(f'<g transform="translate({x},{y})">{man(letter)}</g>')
    parts += [arrow_svg(uci, kind, black_below) for uci, kind in arrows]
    parts.append(_rect(0, 0, 360, f'fill="none" stroke="{INK}" stroke-width="1.5"'))
    if use:
        parts += _coordinates(black_below)
    label = position_words(board)
    box = "-16 -1 378 377" if use else "-1 -1 362 362"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" role="img" '
        f'aria-label="{label}" class="board">{"".join(parts)}</svg>'
    )


def corner(square: chess.Square, black_below: bool) -> tuple[int, int]:
    """The upper left corner of a square."""
    file, rank = chess.square_file(square), chess.square_rank(square)
    return UNIT * (7 - file if black_below else file), UNIT * (rank if black_below else 7 - rank)


def arrow_svg(uci: str, kind: str, black_below: bool) -> str:
    """A move as a line: dashed to a ring (slip), or solid to a point (refutation), on a white halo."""
    (x1, y1), (x2, y2) = (
        (x + UNIT / 2, y + UNIT / 2)
        for x, y in (corner(chess.parse_square(uci[at : at + 2]), black_below) for at in (0, 2))
    )
    length = math.hypot(x2 - x1, y2 - y1)
    ux, uy = (x2 - x1) / length, (y2 - y1) / length
    stop = 18 if kind == "slip" else 14
    path = f'd="M{x1:.1f} {y1:.1f}L{x2 - ux * stop:.1f} {y2 - uy * stop:.1f}" fill="none"'
    halo = f'<path {path} stroke="#fff" stroke-width="8"/>'
    foot = f'<circle cx="{x1:.1f}" cy="{y1:.1f}" r="5" stroke="#fff" fill="{SLIP if kind == "slip" else ANSWER}"/>'
    if kind == "slip":
        ring = f'cx="{x2:.1f}" cy="{y2:.1f}" r="18" fill="none"'
        return (
            f'{halo}<path {path} stroke="{SLIP}" stroke-width="4.5" stroke-dasharray="8 5"/>{foot}'
            f'<circle {ring} stroke="#fff" stroke-width="8"/><circle {ring} stroke="{SLIP}" stroke-width="4"/>'
        )
    head = [(x2, y2), (x2 - ux * 17 - uy * 8, y2 - uy * 17 + ux * 8), (x2 - ux * 17 + uy * 8, y2 - uy * 17 - ux * 8)]
    points = "L".join(f"{x:.1f} {y:.1f}" for x, y in head)
    return f'{halo}<path {path} stroke="{ANSWER}" stroke-width="5.5"/>{foot}<path d="M{points}Z" fill="{ANSWER}"/>'


def _coordinates(black_below: bool) -> list[str]:
    style = f'font-size="12" fill="{INK}" text-anchor="middle"'
    texts = []
    for index in range(8):
        middle = UNIT * (index + 0.5)
        file, rank = (7 - index, index) if black_below else (index, 7 - index)
        texts.append(f'<text x="{middle}" y="373" {style}>{chess.FILE_NAMES[file]}</text>')
        texts.append(f'<text x="-8" y="{middle + 4}" {style}>{chess.RANK_NAMES[rank]}</text>')
    return texts


def _rect(x: float, y: float, size: float, rest: str) -> str:
    return f'<rect x="{x}" y="{y}" width="{size}" height="{size}" {rest}/>'
