"""A report as plain text: the same sentences as its page, in the same order."""

from __future__ import annotations

from collections.abc import Iterator

from alerts.notice import Picture
from alerts.page import FOOT, Report, Table
from alerts.sheet import Passage


def text(report: Report) -> str:
    """Write a report as plain text."""
    parts = [report.title]
    parts += [report.lead] if report.lead else []
    parts += ["\n".join(_lines(part)) for part in report.parts]
    return "\n\n".join([*parts, FOOT]) + "\n"


def _lines(part: Passage | Table | Picture) -> Iterator[str]:
    match part:
        case Passage():
            yield part.heading.upper()
            yield from part.lines
            yield from (f"- {point}" for point in part.points)
        case Table():
            yield part.caption.upper()
            yield from _rows(part)
        case Picture():
            yield f"[Picture: {part.alt}]"


def _rows(table: Table) -> Iterator[str]:
    """Set the cells under their heads, numbers to the right."""
    rows = (table.heads, *table.rows)
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        cells = (
            cell.rjust(width) if place in table.numbers else cell.ljust(width)
            for place, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        yield "  ".join(cells).rstrip()
