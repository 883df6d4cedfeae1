"""The next service of each truck as an event of a calendar: which day it is on, and how often that moved.

What a calendar has once taken it knows by its id; it takes a change when the sequence is higher. So both
are kept. A date moves at most once a day, and at once when a service was done.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable
from dataclasses import dataclass, fields, replace
from datetime import UTC, date, datetime, timedelta, tzinfo

from models.due import Due

NewId = Callable[[], str]
"""Gives an id that nobody else has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceEvent:
    """The next service of a truck, with times in Unix ms.

    ``services`` counts those that were done: the next is another event. ``median_ms`` is None while no
    date is within sight; then nothing is shown. ``changed_ms``: when what is shown last changed;
    ``looked_ms``: when the date was last looked at.
    """

    vehicle: str
    uid: str
    services: int
    sequence: int
    changed_ms: int
    looked_ms: int
    overdue: bool
    reason: str
    median_ms: int | None
    early_ms: int | None
    late_ms: int | None

    def days(self, zone: tzinfo) -> tuple[date, date] | None:
        """Give the first day of the event and the day after its last; None: it has none.

        What is overdue lasts from the day it was due to the day it was last looked at, so that it is
        seen today and not only in last month's page.
        """
        if self.median_ms is None:
            return None
        first = _day(self.median_ms, zone)
        last = max(first, _day(self.looked_ms, zone)) if self.overdue else first
        return first, last + timedelta(days=1)


_COLUMNS = tuple(field.name for field in fields(ServiceEvent))
_LIST, _MARKS = ", ".join(_COLUMNS), ", ".join("?" * len(_COLUMNS))
_SAVE = f"INSERT OR REPLACE INTO service_event ({_LIST}) VALUES ({_MARKS})"  # noqa: S608 - our own names
_ALL = f"SELECT {_LIST} FROM service_event ORDER BY vehicle"  # noqa: S608 - our own names
_ENTERED = "SELECT vehicle, max(entered_ms) FROM service_entry GROUP BY vehicle"


def follow(
    held: ServiceEvent | None,
    vehicle: str,
    due: Due,
    *,
    services: int,
    now_ms: int,
    zone: tzinfo,
    new_id: NewId,
) -> ServiceEvent:
    """Lay a truck's date beside the event that calendars have, and give the event as it is now."""
    fresh = ServiceEvent(
        vehicle=vehicle,
        uid=held.uid if held and held.services == services else new_id(),
        services=services,
        sequence=0,
        changed_ms=now_ms,
        looked_ms=now_ms,
        overdue=due.overdue,
        reason=due.reason,
        median_ms=due.median_ms,
        early_ms=due.early_ms,
        late_ms=due.late_ms,
    )
    if held is None or held.uid != fresh.uid:
        return fresh
    if fresh.days(zone) != held.days(zone):
        return replace(fresh, sequence=held.sequence + 1)
    if _shown(fresh, zone) == _shown(held, zone):
        return replace(held, looked_ms=now_ms)
    return replace(fresh, sequence=held.sequence)


def _shown(event: ServiceEvent, zone: tzinfo) -> tuple[object, ...]:
    """Give what a person reads in an event: days, not milliseconds."""
    ends = (
        None if time_ms is None else _day(time_ms, zone)
        for time_ms in (event.early_ms, event.late_ms)
    )
    return (event.overdue, event.reason, event.days(zone), *ends)


def to_look_at(
    conn: sqlite3.Connection, vehicles: Iterable[str], now_ms: int, zone: tzinfo
) -> list[str]:
    """Name the trucks whose date is to be looked at: once a day, and after an entry in the record."""
    held = {event.vehicle: event for event in events(conn)}
    entered: dict[str, int] = dict(conn.execute(_ENTERED).fetchall())
    return [
        name
        for name in vehicles
        if name not in held
        or _day(held[name].looked_ms, zone) != _day(now_ms, zone)
        or entered.get(name, 0) >= held[name].looked_ms
    ]


def events(conn: sqlite3.Connection) -> list[ServiceEvent]:
    """Read all events, by truck."""
    return [_event(row) for row in conn.execute(_ALL)]


def save(tx: sqlite3.Connection, event: ServiceEvent) -> None:
    """Write an event, new or changed."""
    tx.execute(_SAVE, tuple(getattr(event, name) for name in _COLUMNS))


def _event(row: tuple[object, ...]) -> ServiceEvent:
    values = dict(zip(_COLUMNS, row, strict=True))
    values["overdue"] = bool(values["overdue"])
    return ServiceEvent(**values)  # type: ignore[arg-type] # as the strict table has them


def _day(time_ms: int, zone: tzinfo) -> date:
    return datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone).date()
