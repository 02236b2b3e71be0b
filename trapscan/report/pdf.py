"""Lesson sheets as PDF, drawn with fpdf2: vector boards, embedded fonts, no time stamp (equal input, equal bytes)."""

from __future__ import annotations

import datetime
import logging
from collections.abc import Container, Sequence
from dataclasses import dataclass
from pathlib import Path

import chess
import font_source_sans_pro
from fpdf import FPDF
from fpdf.drawing_primitives import Transform
from fpdf.svg import SVGObject

from trapscan.report.diagrams import Arrow, board_svg

MARGIN = 15.0
FONT = "body"
_FIXED_DATE = datetime.datetime(2000, 1, 1, tzinfo=datetime.UTC)
_INK, _SOFT, _RULE = (35, 33, 43), (91, 86, 102), (200, 192, 204)


@dataclass(frozen=True, slots=True)
class Item:
    """One position on a sheet. `rows` are name and text beside the board; `writing` leaves lines to write on."""

    number: int
    heading: str
    board: chess.Board
    black_below: bool
    arrows: tuple[Arrow, ...]
    rows: tuple[tuple[str, str], ...]
    writing: bool


def sheet_pdf(title: str, heading: str, about: str, items: Sequence[Item], *, paper: str, foot: str) -> bytes:
    """A sheet: two columns of diagrams with room to write, or one answer below the other."""
    pdf = _Sheet(paper, foot)
    pdf.start(title, heading, about)
    if any(item.writing for item in items):
        _questions(pdf, items)
    else:
        _answers(pdf, items)
    return bytes(pdf.output())


class _Sheet(FPDF):
    """A page with our fonts, margins and foot."""

    def __init__(self, paper: str, foot: str) -> None:
        super().__init__(format=paper, unit="mm")
        self.foot = foot
        self.set_creation_date(_FIXED_DATE)
        self.set_margins(MARGIN, MARGIN, MARGIN)
        self.set_auto_page_break(False)
        folder = Path(font_source_sans_pro.font_directory)
        for style, name in (("", "Regular"), ("B", "Semibold")):
            self.add_font(FONT, style, folder / f"SourceSansPro-{name}.ttf")
        self.set_lang("en")

    @property
    def bottom(self) -> float:
        """The lowest place for content."""
        return float(self.h) - MARGIN - 6

    def start(self, title: str, heading: str, about: str) -> None:
        """The first page's head."""
        self.set_title(f"{title}: {heading}")
        self.set_creator("trapscan")
        self.add_page()
        self.say(title, 18, bold=True, width=self.epw)
        self.ln(1)
        self.say(f"{heading}. {about}", 10, soft=True, width=self.epw)
        self.ln(4)

    def footer(self) -> None:
        """Fair play and the page's number on every page."""
        self.set_y(-MARGIN + 1)
        self.set_font(FONT, size=7.5)
        self.set_text_color(*_SOFT)
        self.cell(self.epw - 12, 4, self.foot)
        self.cell(12, 4, str(self.page_no()), align="R")

    def known(self, text: str) -> str:
        """Text with a question mark for every character that the font lacks."""
        drawn: Container[int] = getattr(self.fonts[FONT], "cmap", range(256))
        return "".join(char if ord(char) in drawn else "?" for char in text)

    def say(self, text: str, size: float, *, width: float, bold: bool = False, soft: bool = False) -> None:
        """A paragraph from the current place, as wide as `width`; goes on below at the same left edge."""
        left = self.get_x()
        self.set_font(FONT, "B" if bold else "", size)
        self.set_text_color(*(_SOFT if soft else _INK))
        self.multi_cell(width, size * 0.46, self.known(text), align="L", new_x="LEFT", new_y="NEXT")
        self.set_x(left)

    def height_of(self, text: str, size: float, width: float, *, bold: bool = False) -> float:
        """How high `say` would be."""
        self.set_font(FONT, "B" if bold else "", size)
        lines = self.multi_cell(width, size * 0.46, self.known(text), align="L", dry_run=True, output="LINES")
        assert isinstance(lines, list)
        return len(lines) * size * 0.46

    def diagram(self, item: Item, x: float, y: float, size: float) -> None:
        """The board with coordinates; its left upper corner at (x, y), `size` without the coordinates."""
        image = SVGObject(board_svg(item.board, black_below=item.black_below, arrows=item.arrows))
        _, _, path = image.transform_to_rect_viewport(scale=1, width=size, height=size, ignore_svg_top_attrs=True)
        path.transform = (path.transform or Transform.identity()) @ Transform.translation(x, y)
        self.draw_path(path)
        self.set_font(FONT, size=7)
        self.set_text_color(*_SOFT)
        files = "hgfedcba" if item.black_below else "abcdefgh"
        for index in range(8):
            middle = size * (index + 0.5) / 8
            rank = str(index + 1 if item.black_below else 8 - index)
            self.text(x + middle - 0.6, y + size + 3, files[index])
            self.text(x - 2.6, y + middle + 1, rank)
        # who is to move: a small square beside the board's lower or upper edge, filled for Black
        below = (item.board.turn == chess.BLACK) == item.black_below
        self.set_draw_color(*_INK)
        self.set_fill_color(*(_INK if item.board.turn == chess.BLACK else (255, 255, 255)))
        self.set_line_width(0.3)
        self.rect(x + size + 1.4, y + (size - 3 if below else 0), 3, 3, style="DF")


def _questions(pdf: _Sheet, items: Sequence[Item]) -> None:
    """Six to a page, two abreast."""
    gap, rows = 14.0, 3  # the text above and below a board takes 21 mm
    column = (pdf.epw - gap) / 2
    text = 21.0
    first_row = (pdf.bottom - pdf.get_y()) / rows
    size = min(column - 14, first_row - text - 4)
    top = pdf.get_y()
    for index, item in enumerate(items):
        if index and index % (2 * rows) == 0:
            pdf.add_page()
            top = MARGIN
        place = index % (2 * rows)
        x = MARGIN + (place % 2) * (column + gap)
        y = top + (place // 2) * (size + text + 4)
        pdf.set_xy(x, y)
        turn, _, ask = item.heading.partition(": ")
        pdf.say(f"{item.number}. {turn}", 10, width=column, bold=True)
        pdf.say(ask[:1].upper() + ask[1:], 9, width=column, soft=True)
        board = y + 10.5
        pdf.diagram(item, x + 4, board, size)
        write = board + size + 8
        pdf.set_font(FONT, size=9)
        pdf.set_text_color(*_SOFT)
        pdf.set_draw_color(*_SOFT)
        pdf.set_line_width(0.2)
        pdf.text(x + 4, write, "Fails:")
        pdf.line(x + 14, write + 0.5, x + 34, write + 0.5)
        pdf.text(x + 37, write, "Punished by:")
        pdf.line(x + 56, write + 0.5, x + column, write + 0.5)


def _answers(pdf: _Sheet, items: Sequence[Item]) -> None:
    """One below the other, a small board at the left; none is split."""
    size, gap, name, line = 41.0, 10.0, 23.0, 8.6
    x = MARGIN + 3 + size + gap
    wide = pdf.epw - 3 - size - gap
    for index, item in enumerate(items):
        heading = f"{item.number}. {item.heading}"
        rows = [(key, text, pdf.height_of(text, line, wide - name)) for key, text in item.rows]
        words = pdf.height_of(heading, 11.5, wide, bold=True) + 1.5 + sum(height + 0.7 for _, _, height in rows)
        height = max(size + 5, words) + 6
        if index and pdf.get_y() + height > pdf.bottom:
            pdf.add_page()
        top = pdf.get_y()
        pdf.diagram(item, MARGIN + 3, top, size)
        pdf.set_xy(x, top - 1)
        pdf.say(heading, 11.5, width=wide, bold=True)
        pdf.ln(1.5)
        for key, text, high in rows:
            row = pdf.get_y()
            pdf.set_x(x)
            pdf.say(key, line, width=name, soft=True)
            pdf.set_xy(x + name, row)
            pdf.say(text, line, width=wide - name)
            pdf.set_y(row + high + 0.7)
        pdf.set_y(top + height - 3)
        pdf.set_draw_color(*_RULE)
        pdf.set_line_width(0.2)
        pdf.line(MARGIN, top + height - 3, MARGIN + pdf.epw, top + height - 3)
        pdf.set_y(top + height)


logging.getLogger("fontTools.subset").setLevel(logging.WARNING)
