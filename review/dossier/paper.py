"""The looks of the report on paper: letters, headings, tables, what stands on every page."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache
from html import escape
from pathlib import Path
from typing import Any

import matplotlib as mpl
from reportlab.lib.colors import Color, HexColor, white
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph, Table, TableStyle

from alerts.steering import unsteered
from review.pictures.looks import FAINT, INK, SOFT

PAGE, MARGIN = A4, 18 * mm
WIDTH = PAGE[0] - 2 * MARGIN - 12.0  # less what a frame keeps free inside

_REGULAR, _BOLD = "DejaVuSans", "DejaVuSans-Bold"
_GROUND, _WARN, _WARN_LINE = HexColor("#f4f2ee"), HexColor("#fff6df"), HexColor("#d9ac33")


TALLEST = 0.5 * PAGE[1]
"""What of a cell stands in one row at most [points]."""

_BESIDE = 3.0
"""What is kept free at both sides of a cell [points]."""

_MARGIN_SIZE = 7.2
"""Size of what stands on every page's margins [points]."""


@cache
def letters() -> None:
    """Take up the letters that are put into the file: every sign that we write is among them."""
    folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
    for name in (_REGULAR, _BOLD):
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))
    pdfmetrics.registerFontFamily(_REGULAR, _REGULAR, _BOLD, _REGULAR, _BOLD)


def _style(name: str, size: float, **more: Any) -> ParagraphStyle:
    given = {"fontName": _REGULAR, "textColor": HexColor(INK), "leading": 1.36 * size, **more}
    return ParagraphStyle(name, fontSize=size, **given)


TEXT = _style("text", 9.0, spaceAfter=4, allowWidows=0, allowOrphans=0)
SMALL = _style(
    "small", 7.6, textColor=HexColor(SOFT), spaceAfter=3, allowWidows=0, allowOrphans=0
)
CELL = _style("cell", 7.8)
NUMBER = _style("number", 7.8, alignment=2)
HEAD_CELL = _style("head cell", 7.4, fontName=_BOLD, textColor=HexColor(SOFT))
HEAD_NUMBER = _style("head number", 7.4, fontName=_BOLD, textColor=HexColor(SOFT), alignment=2)
TITLE = _style("title", 17.0, fontName=_BOLD, spaceAfter=2)
HEADING = _style("heading", 12.0, fontName=_BOLD, spaceBefore=12, spaceAfter=4)
HEADLINE = _style("headline", 12.5, fontName=_BOLD, spaceAfter=4)
ANSWER = _style("answer", 9.8, spaceAfter=4)
BULLET = _style(
    "bullet", 9.0, leftIndent=12, bulletIndent=2, spaceAfter=3, allowWidows=0, allowOrphans=0
)
CAUTION = _style("caution", 8.6, leftIndent=10, bulletIndent=1, spaceAfter=2)


def words(text: str, style: ParagraphStyle = TEXT, bullet: str | None = None) -> Paragraph:
    """Set a text; what others wrote is never read as markup."""
    return Paragraph(escape(unsteered(text), quote=False), style, bulletText=bullet)


def points(lines: Sequence[str], style: ParagraphStyle = BULLET) -> list[Paragraph]:
    """Set a list of points."""
    return [words(each, style, "•") for each in lines]


def table(
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
    widths: Sequence[float],
    right: Sequence[int] = (),
) -> Table:
    """Set a table; ``widths`` are parts of the page's width, ``right`` are columns of numbers.

    Its head is repeated on the next page, and no row is torn apart that a page can hold; what is longer goes
    on in a row of its own.
    """
    total = sum(widths)
    wide = [WIDTH * each / total for each in widths]
    head = [
        words(each, HEAD_NUMBER if place in right else HEAD_CELL)
        for place, each in enumerate(heads)
    ]
    body = [
        [words(each, NUMBER if place in right else CELL) for place, each in enumerate(row)]
        for row in rows
    ]
    made = Table(
        [head, *(part for row in body for part in _parted(row, wide))],
        colWidths=wide,
        repeatRows=1,
        splitInRow=0,
        spaceBefore=2,
        spaceAfter=6,
    )
    made.setStyle(_lined())
    return made


def facts(rows: Sequence[tuple[str, str]], share: float = 0.3) -> Table:
    """Set pairs of what a line is about and what it says."""
    wide = [WIDTH * share, WIDTH * (1.0 - share)]
    body = [[words(about, HEAD_CELL), words(text, CELL)] for about, text in rows]
    parts = [part for row in body for part in _parted(row, wide)]
    made = Table(parts, colWidths=wide, spaceBefore=2, spaceAfter=6)
    made.setStyle(_lined(head=False))
    return made


def _parted(row: Sequence[Paragraph], wide: Sequence[float]) -> Iterator[list[Any]]:
    """Part a row that no page can hold into several that one can."""
    rest: list[Any] = list(row)
    while any(rest):
        cells = [
            each.split(width - 2 * _BESIDE, TALLEST) if each else []
            for each, width in zip(rest, wide, strict=True)
        ]
        yield [each[0] if each else "" for each in cells]
        rest = [each[1] if len(each) > 1 else "" for each in cells]


def box(parts: Sequence[Any], *, warn: bool = False) -> Table:
    """Set parts in a box."""
    made = Table([[list(parts)]], colWidths=[WIDTH], spaceBefore=4, spaceAfter=8)
    ground, line = (_WARN, _WARN_LINE) if warn else (_GROUND, HexColor(FAINT))
    made.setStyle(
        TableStyle(
            [
                ("BACKGROUND", (0, 0), (-1, -1), ground),
                ("BOX", (0, 0), (-1, -1), 0.8, line),
                ("LEFTPADDING", (0, 0), (-1, -1), 10),
                ("RIGHTPADDING", (0, 0), (-1, -1), 10),
                ("TOPPADDING", (0, 0), (-1, -1), 8),
                ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
            ]
        )
    )
    return made


def _lined(*, head: bool = True) -> TableStyle:
    rules: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.4, HexColor(FAINT)),
        ("LEFTPADDING", (0, 0), (-1, -1), _BESIDE),
        ("RIGHTPADDING", (0, 0), (-1, -1), _BESIDE),
        ("TOPPADDING", (0, 0), (-1, -1), 2.2),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.6),
    ]
    if head:
        rules += [
            ("BACKGROUND", (0, 0), (-1, 0), _GROUND),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, HexColor(SOFT)),
        ]
    return TableStyle(rules)


class Numbered(Canvas):  # type: ignore[misc] # theirs has no types
    """Writes on each page which it is of how many, once all are there."""

    head = ""
    foot = ""

    def __init__(self, *args: Any, **more: Any) -> None:
        super().__init__(*args, **more)
        self._pages: list[dict[str, Any]] = []

    def showPage(self) -> None:  # noqa: N802 - theirs
        """Keep a page until the last is there."""
        self._pages.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        """Write all pages."""
        for number, page in enumerate(self._pages, 1):
            self.__dict__.update(page)
            self._margin(number, len(self._pages))
            super().showPage()
        super().save()

    def _margin(self, number: int, count: int) -> None:
        self.setFillColor(HexColor(SOFT))
        self.setStrokeColor(HexColor(FAINT))
        self.setFont(_REGULAR, _MARGIN_SIZE)
        top, bottom = PAGE[1] - 11 * mm, 10 * mm
        self.drawString(MARGIN, top, _cut(self.head))
        self.drawString(MARGIN, bottom, self.foot)
        self.drawRightString(PAGE[0] - MARGIN, bottom, f"page {number} of {count}")
        self.line(MARGIN, top - 3, PAGE[0] - MARGIN, top - 3)


def _cut(line: str) -> str:
    """Shorten a line to the width of a page."""
    line = unsteered(line).replace("\n", " ")
    while pdfmetrics.stringWidth(line, _REGULAR, _MARGIN_SIZE) > PAGE[0] - 2 * MARGIN:
        line = f"{line[:-2]}…"
    return line


def ink(colour: str) -> Color:
    """Give a colour by its name in our looks."""
    return white if colour == "white" else HexColor(colour)
