"""A notice as a page for a mail program: an alarm, a bundle, a report.

Pure text from pure values. Everything that comes in is escaped by the template engine, there are no
scripts and nothing is fetched from elsewhere: pictures travel in the mail (``cid:``).
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby, takewhile
from pathlib import Path

from alerts.escaped import templates_in
from alerts.notice import Picture
from alerts.palette import BANDS, DARK, LIGHT, band_of
from alerts.sheet import Passage, Sheet
from models.transition import Priority

FULL_ROWS = 20
"""So many alarms of a bundle have lines and a link of their own, the rest are listed by truck. A widespread
mail program cuts off after about 100 kB (from memory), and nobody reads 500 lines."""

OF_ONE_CAUSE = 6
"""So many of one kind have a line of their own: what holds for all of them stands above already."""

FOOT = "Sent by Heatbook, by itself: an answer to this mail is read by nobody."


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """Where a button leads, and what stands on it."""

    url: str
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One alarm of a bundle; ``url`` acknowledges it (empty: no link), ``label`` says so.

    ``title`` and ``at_once`` are empty where its section says them.
    """

    priority: Priority
    head: str
    who: str
    title: str = ""
    at_once: str = ""
    since: str
    url: str = ""
    label: str = "I have seen this"
    urgent: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """Alarms that belong together: of one truck, or of one kind; what is said holds for all of them.

    ``names``: the rows say which truck each is of.
    """

    title: str
    note: str = ""
    at_once: str = ""
    names: bool
    rows: tuple[Row, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bundle:
    """Several alarms in one notice, the most urgent section first.

    ``at_once`` stands right after that one: it goes with what to do.
    """

    head: str
    title: str
    lead: str = ""
    sections: tuple[Section, ...]
    at_once: tuple[Passage, ...] = ()
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
    """Write the page of one alarm: what to do, a driver's dangers, the picture, the evidence, all else."""
    passages = [each for each in sheet.passages if each.weight != "do"]
    first = list(takewhile(lambda each: each.weight == "caution", passages))
    return _TEMPLATES.get_template("alarm.html").render(
        title=f"{sheet.who}: {sheet.title}",
        foot=f"{sheet.foot} {FOOT}",
        band=band_of(sheet.priority, urgent=sheet.urgent),
        state=_state(sheet.head, sheet.priority),
        sheet=sheet,
        first=first,
        rest=passages[len(first) :],
        picture=picture,
        link=link,
    )


def bundle_page(
    bundle: Bundle, *, picture: Picture | None = None, link: Link | None = None
) -> str:
    """Write the page of a bundle; ``picture`` is of its first section."""
    rows = [row for section in bundle.sections for row in section.rows]
    urgent = [row for row in rows if row.urgent]
    most = max((row.priority for row in urgent or rows), default=Priority.LOW)
    return _TEMPLATES.get_template("bundle.html").render(
        title=bundle.title,
        foot=FOOT,
        band=band_of(most, urgent=bool(urgent)),
        state=bundle.head,
        counts=_counts(urgent),
        bundle=bundle,
        blocks=_blocks(bundle.sections),
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
class _Tagged:
    band: str
    state: str
    row: Row


@dataclass(frozen=True, slots=True, kw_only=True)
class _Listed:
    """Trucks that have only their names left."""

    band: str
    state: str
    count: str
    trucks: list[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    section: Section
    first: list[_Tagged]
    others: list[_Listed]


def _blocks(sections: Sequence[Section]) -> list[_Block]:
    """Give each section its lines while there is room, then names only."""
    left, found = FULL_ROWS, []
    for section in sections:
        room = min(left, OF_ONE_CAUSE) if section.names else left
        first, rest = section.rows[:room], section.rows[room:]
        left -= len(first)
        found.append(
            _Block(
                section=section,
                first=[_Tagged(row=row, **_tag(row)) for row in first],
                others=_listed(rest, more=bool(first)),
            )
        )
    return found


def _listed(rows: Sequence[Row], *, more: bool) -> list[_Listed]:
    def same(row: Row) -> tuple[int, str]:
        return -row.priority, row.head

    return [_list(list(each), more) for _, each in groupby(sorted(rows, key=same), key=same)]


def _list(rows: Sequence[Row], more: bool) -> _Listed:
    trucks = sorted({row.who for row in rows}, key=_natural)
    count = f"{len(trucks)}{' more' if more else ''} truck{'' if len(trucks) == 1 else 's'}"
    return _Listed(count=count, trucks=trucks, **_tag(rows[0]))


def _natural(name: str) -> list[tuple[int, str]]:
    """Order names as people count: NF-9 before NF-10."""
    parts = re.split(r"(\d+)", name)
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in parts]


def _counts(rows: Sequence[Row]) -> str:
    """Say how many there are of each priority, the highest first."""
    found = Counter(row.priority for row in rows)
    return ", ".join(
        f"{found[each]} {each.name.lower()}" for each in sorted(found, reverse=True)
    )


def _tag(row: Row) -> dict[str, str]:
    return {
        "band": band_of(row.priority, urgent=row.urgent),
        "state": _state(row.head, row.priority),
    }


def _state(head: str, priority: Priority) -> str:
    return f"{head} {priority.name}"


_MACROS = {Passage: "passage", Table: "table", Picture: "picture"}

_TEMPLATES = templates_in(Path(__file__).parent / "templates")
_TEMPLATES.globals.update(light=LIGHT, dark=DARK, bands=BANDS)
