"""The report on paper: what a shop attaches to a claim. The same data give the same file, byte for byte."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

from reportlab.lib.utils import ImageReader
from reportlab.platypus import CondPageBreak, Image, SimpleDocTemplate

from alerts.phrases import MANUAL_FIRST
from alerts.teller import Teller
from models.cautions import BY_THE_MANUAL, HOT_FLUID, SHOP_ONLY, USED_OIL
from review.dossier import report_tables as tables
from review.dossier.cause_words import clue_words, telling_apart
from review.dossier.facts import Dossier
from review.dossier.figures import Picture, pictures
from review.dossier.paper import (
    ANSWER,
    CAUTION,
    HEADING,
    HEADLINE,
    MARGIN,
    PAGE,
    SMALL,
    TITLE,
    WIDTH,
    Numbered,
    box,
    facts,
    letters,
    points,
    table,
    words,
)
from review.dossier.pen import Pen
from review.dossier.span import DAY_MS
from review.dossier.unknown_words import LIMITS_OF_IT, method, not_known
from review.dossier.verdict import verdict

PRINT_DPI = 220
"""Dots per inch of a picture that is 10 inches wide and printed at seven: over 300 on paper."""

BEGINNING = 110
"""Points of height that must be left for a section to begin on a page."""

HIGHEST = 0.8
"""Share of a page's height that one picture takes at most [-]."""


def document_number(found: Dossier, sha256: str, pen: Pen) -> str:
    """Name the document: the truck, the day it ends on, the beginning of the data's hash."""
    day = pen.stamp(found.span.until_ms - 1)[:10].replace("-", "")
    return f"{found.vehicle}-{day}-{sha256[:8]}"


def named(found: Dossier) -> str:
    """Name the truck by its code, and by what people call it."""
    return found.vehicle if found.title == found.vehicle else f"{found.vehicle}, {found.title}"


def report(found: Dossier, pen: Pen, teller: Teller, sha256: str) -> bytes:
    """Write the report as PDF; ``pen`` writes in both units."""
    letters()
    number = document_number(found, sha256, pen)
    title = f"Review of {named(found)} up to {pen.moment(found.span.until_ms)}"
    buffer = io.BytesIO()
    document = SimpleDocTemplate(
        buffer,
        pagesize=PAGE,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=MARGIN,
        bottomMargin=MARGIN,
        title=title,
        author="Heatbook",
        subject=f"Document {number}; data SHA-256 {sha256}",
        creator=f"Heatbook {found.basis.software_version}",
        keywords=[found.vehicle, number],
        lang="en",
        invariant=1,
    )

    class Page(Numbered):
        head = f"Document {number}    {named(found)}    up to {pen.stamp(found.span.until_ms)}"
        foot = f"An account by model, no laboratory proof. Data SHA-256 {sha256[:16]}…"

    document.build(list(_story(found, pen, teller, sha256, number)), canvasmaker=Page)
    return buffer.getvalue()


def _story(found: Dossier, pen: Pen, teller: Teller, sha256: str, number: str) -> Iterator[Any]:
    drawn = {each.name: each for each in pictures(found, pen)}
    yield from _front(found, pen, sha256, number)
    yield from _heading("1  What came first")
    yield table(*tables.timeline_table(found, pen, teller))
    yield from _picture(drawn.get("hours"))
    yield from _causes(found, pen)
    yield from _heat(found, pen, drawn)
    yield from _heading("4  Alarms, and who knew")
    yield from _or_none(tables.alarm_table(found, pen, teller), "No alarm was raised.")
    yield from _heading("5  Service record")
    yield from _or_none(tables.record_table(found, pen), "The record holds no entry.")
    yield from _what_if(found, pen)
    yield from _heading("7  What is not known")
    yield from points(list(not_known(found, pen)) or ["Nothing that is known to be missing."])
    yield from _heading("8  Measured, computed, estimated")
    yield from points(list(method(found, pen)))
    yield from _heading("9  What the figures rest on")
    yield facts(tables.basis_rows(found, pen))
    yield from _end(found)


def _front(found: Dossier, pen: Pen, sha256: str, number: str) -> Iterator[Any]:
    said = verdict(found, pen)
    yield words(f"Review of {named(found)}", TITLE)
    yield words(f"What came first, up to {pen.moment(found.span.until_ms)}", SMALL)
    yield box(
        [
            words(said.headline, HEADLINE),
            words(said.first, ANSWER),
            words(said.then, ANSWER),
            *(words(each, SMALL) for each in said.remarks),
        ]
    )
    yield facts(tables.identity_rows(found, pen, sha256, number))
    yield box([words(LIMITS_OF_IT, ANSWER)], warn=True)


def _causes(found: Dossier, pen: Pen) -> Iterator[Any]:
    yield from _heading("2  Causes, with what speaks for and against each")
    if not found.causes:
        yield words(tables.no_causes(found))
    else:
        yield table(*tables.cause_table(found))
    if found.clues:
        yield words("What was seen:")
        numbered = [
            (str(place), clue_words(each, pen)) for place, each in enumerate(found.clues, 1)
        ]
        yield facts(numbered, share=0.05)
    telling = telling_apart(found)
    if telling:
        yield words("What would tell these causes apart:")
        yield from points(telling)
    yield from points(tables.duty_lines(found, pen))


def _heat(found: Dossier, pen: Pen, drawn: dict[str, Picture]) -> Iterator[Any]:
    yield from _heading("3  Heat, and what it did to the fluid")
    yield facts(tables.account_rows(found, pen))
    yield words(
        f"Times above the limit of {pen.degrees(found.limits.limit_c)}, the worst first:"
    )
    yield from _or_none(
        tables.excursion_table(found, pen), "The fluid was never above its limit."
    )
    yield words("Time above each temperature, in this fill:")
    yield table(*tables.level_table(found, pen))
    yield from _picture(drawn.get("heat"))
    yield from _picture(drawn.get("bins"), 0.7)
    yield from _picture(drawn.get("days"))
    yield from _picture(drawn.get("life"), 0.9)


def _what_if(found: Dossier, pen: Pen) -> Iterator[Any]:
    yield from _heading("6  What a change would have meant")
    made = tables.what_if_table(found, pen)
    if made is None:
        yield words(f"Not answered: {found.what_if_why}.")
        return
    days = max(1, round((found.span.last_ms - found.span.close_ms) / DAY_MS))
    yield words(
        "This truck's own model taken once more through its work of the last "
        f"{'day' if days == 1 else f'{days} days'}, as it is and as it would be; in 8 of 10 cases the "
        "truth lies within the band."
    )
    yield table(*made)
    yield from points(tables.what_if_lines(found, pen))


def _heading(text: str) -> Iterator[Any]:
    """Head a section, with room for its beginning on the same page."""
    yield CondPageBreak(BEGINNING)
    yield words(text, HEADING)


def _picture(drawn: Picture | None, share: float = 1.0) -> Iterator[Any]:
    if drawn is None:
        return
    png = drawn.png(PRINT_DPI)
    wide, tall = ImageReader(io.BytesIO(png)).getSize()
    height = min(share * WIDTH * tall / wide, HIGHEST * PAGE[1])
    yield CondPageBreak(height + 40)
    yield Image(io.BytesIO(png), width=height * wide / tall, height=height)
    yield words(drawn.words, SMALL)


def _or_none(made: tuple[Any, ...] | None, otherwise: str) -> Iterator[Any]:
    yield words(otherwise) if made is None else table(*made)


def _end(found: Dossier) -> Iterator[Any]:
    del found
    yield from _heading("10  Before anybody opens it")
    cautions = (HOT_FLUID, SHOP_ONLY, BY_THE_MANUAL, USED_OIL, MANUAL_FIRST)
    yield box(points(cautions, CAUTION), warn=True)
    yield CondPageBreak(120)
    yield from _heading("11  Found when it was opened (for the shop to fill in)")
    asked = ("What was found", "By whom", "When, at what odometer", "Part numbers, photographs")
    yield facts([(about, " ") for about in asked])
