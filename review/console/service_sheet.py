"""The page that shows an entry before it is entered: its fields, and what it will do to the account."""

from __future__ import annotations

import hashlib
import sqlite3
from dataclasses import dataclass

from starlette.responses import Response

from ingest import record
from ingest.record import Entry
from models.cautions import SAMPLING_CAUTIONS
from models.fleet import Vehicle
from models.words import SAMPLING
from review.console.service_view import KINDS, boxes, changes, record_lines, summary
from review.console.visit import Visit
from review.service_draft import Draft, slips
from review.service_fields import FIELDS
from review.service_form import NOTE, TIME, Sheet
from review.service_outlook import Outlook, outlook

NEAR_MS = 86_400_000
"""Within this time of another entry of its kind an entry may be the same work entered twice [ms]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a form is about: a new entry of a kind, or the correction of one.

    ``address``: where the form is sent; ``key`` makes a repeat of it known as one.
    """

    truck: str
    vehicle: Vehicle
    kind: str
    address: str
    key: str
    corrected: Entry | None = None


def fresh_key(visit: Visit, truck: str) -> str:
    """Make what a form is known by: nobody opens two about one truck within a millisecond."""
    return _digest(
        visit.visitor.name, truck, str(visit.house.now_ms()), str(visit.house.uptime_ms())
    )


def key_of(visit: Visit) -> str:
    """Give the key under which this visitor's form is entered; no form of another has the same."""
    return f"console:{_digest(visit.visitor.name, visit.form.get('key', ''))}"


def checked(visit: Visit, sheet: Sheet) -> Sheet:
    """Lay a form that could be read beside truck, record and fleet."""
    if sheet.draft is None:
        return sheet
    house = visit.house
    now_ms = house.now_ms()
    entry = sheet.draft.entry(visit.visitor.name, now_ms)
    with house.store.read() as conn:
        wrong = slips(conn, house.reader.fleet, entry, now_ms=now_ms, units=visit.visitor.units)
    return Sheet(texts=sheet.texts, slips=wrong, draft=None if wrong else sheet.draft)


def shown(
    visit: Visit, asked: Asked, sheet: Sheet, *, status: int = 200, changed: bool = False
) -> Response:
    """Show a form, and what it would do where it says something."""
    house, units, draft = visit.house, visit.visitor.units, sheet.draft
    entry = None if draft is None else draft.entry(visit.visitor.name, house.now_ms())
    with house.store.read() as conn:
        found = _outlook(conn, visit, draft)
        near = [] if draft is None else _near(conn, draft)
    named = {TIME, NOTE, *(each.name for each in FIELDS[asked.kind])}
    label = KINDS[asked.kind][0]
    return visit.page(
        "service_form.html",
        title=f"{'Correct: ' if asked.corrected else ''}{label}, {asked.truck}",
        status=status,
        asked=asked,
        label=label,
        sheet=sheet,
        fields=boxes(asked.kind, sheet, asked.vehicle, house.reader.fleet.fluids, units),
        general=[text for name, text in sheet.slips.items() if name not in named],
        draft=draft,
        said="" if entry is None else summary(entry, asked.vehicle, units),
        outlook=found,
        changes=[] if found is None else changes(found, units),
        near=record_lines(near, (), units),
        changed=changed,
        sampling=(SAMPLING, *SAMPLING_CAUTIONS) if asked.kind == "sample" else (),
    )


def _outlook(conn: sqlite3.Connection, visit: Visit, draft: Draft | None) -> Outlook | None:
    if draft is None:
        return None
    house = visit.house
    entry = draft.entry(visit.visitor.name, house.now_ms())
    return outlook(conn, house.reader, draft.truck, add=entry, without=draft.instead)


def _near(conn: sqlite3.Connection, draft: Draft) -> list[Entry]:
    """Give what may be the same work, entered before."""
    return [
        each
        for each in record.effective(conn, draft.truck)
        if each.kind == draft.kind
        and each.id != draft.instead
        and abs(each.time_ms - draft.at_ms) <= NEAR_MS
    ]


def _digest(*parts: str) -> str:
    return hashlib.sha256("\n".join(parts).encode()).hexdigest()[:32]
