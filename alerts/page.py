"""A notice as a page for a mail program: an alarm, a bundle, a report.

Pure text from pure values. Everything that comes in is escaped by the template engine, there are no
scripts and nothing is fetched from elsewhere: pictures travel in the mail (``cid:``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined

from alerts.notice import Picture
from alerts.palette import BANDS, DARK, LIGHT, band_of
from alerts.sheet import Passage, Sheet
from models.transition import Priority

FULL_ROWS = 20
"""So many alarms of a bundle have their own block, the rest is listed by what they are. A widespread
mail program cuts off after about 100 kB (from memory), and nobody reads 500 blocks."""

FOOT = "Sent by Heatbook, by itself: an answer to this mail is read by nobody."


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """Where a button leads, and what stands on it."""

    url: str
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One alarm of a bundle; ``url`` acknowledges it (empty: no link), ``label`` says so."""

    priority: Priority
    head: str
    who: str
    title: str
    at_once: str = ""
    since: str
    url: str = ""
    label: str = "Acknowledge"
    urgent: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """Several alarms in one notice, the most urgent first."""

    head: str
    title: str
    lead: str = ""
    rows: tuple[Row, ...]
    passages: tuple[Passage, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table; ``numbers`` names the columns that hold numbers, counted from 0."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """A notice that is no alarm: a digest, a week's summary, a test."""

    head: str
    title: str
    lead: str = ""
    parts: tuple[Passage | Table | Picture, ...] = ()


def alarm_page(
    sheet: Sheet, *, picture: Picture | None = None, link: Link | None = None
) -> str:
    """Write the page of one alarm: what to do first, dangers, the picture, then the evidence."""
    return _TEMPLATES.get_template("alarm.html").render(
        title=f"{sheet.who}: {sheet.title}",
        foot=f"{sheet.foot} {FOOT}",
        band=band_of(sheet.priority, urgent=sheet.urgent),
        state=_state(sheet.head, sheet.priority),
        sheet=sheet,
        picture=picture,
        link=link,
    )


def bundle_page(
    bundle: Bundle, *, picture: Picture | None = None, link: Link | None = None
) -> str:
    """Write the page of a bundle: the first in blocks of their own, all others by what they are."""
    first, rest = bundle.rows[:FULL_ROWS], bundle.rows[FULL_ROWS:]
    urgent = [row for row in bundle.rows if row.urgent]
    most = max((row.priority for row in urgent or bundle.rows), default=Priority.LOW)
    return _TEMPLATES.get_template("bundle.html").render(
        title=bundle.title,
        foot=FOOT,
        band=band_of(most, urgent=bool(urgent)),
        state=bundle.head,
        bundle=bundle,
        first=[_Block(line=row, **_tag(row)) for row in first],
        others=_grouped(rest),
        picture=picture,
        link=link,
    )


def report_page(report: Report, *, link: Link | None = None) -> str:
    """Write the page of a report."""
    return _TEMPLATES.get_template("report.html").render(
        title=report.title,
        foot=FOOT,
        report=report,
        drawn=[(_MACROS[type(part)], part) for part in report.parts],
        link=link,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    band: str
    state: str
    line: Row


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    band: str
    state: str
    title: str
    count: str
    trucks: str


def _grouped(rows: Sequence[Row]) -> list[_Group]:
    """Put what says the same together: the most urgent first, the trucks by name."""

    def same(row: Row) -> tuple[bool, int, str, str]:
        return not row.urgent, -row.priority, row.head, row.title

    return [_group(list(each)) for _, each in groupby(sorted(rows, key=same), key=same)]


def _group(rows: Sequence[Row]) -> _Group:
    trucks = sorted({row.who for row in rows})
    count = "1 truck" if len(trucks) == 1 else f"{len(trucks)} trucks"
    return _Group(title=rows[0].title, count=count, trucks=", ".join(trucks), **_tag(rows[0]))


def _tag(row: Row) -> dict[str, str]:
    return {
        "band": band_of(row.priority, urgent=row.urgent),
        "state": _state(row.head, row.priority),
    }


def _state(head: str, priority: Priority) -> str:
    return f"{head} {priority.name}"


_MACROS = {Passage: "passage", Table: "table", Picture: "picture"}

_TEMPLATES = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,
)
_TEMPLATES.globals.update(light=LIGHT, dark=DARK, bands=BANDS)
