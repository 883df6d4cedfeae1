"""Service dates as a calendar that other programs subscribe to: RFC 5545, with what RFC 7986 adds.

No alarm rings by it (VALARM): Heatbook itself tells of a service at 80, 95 and 100 % of its limit, and a
calendar that many people read would ring on all their phones. Nothing of a day is taken up by it
(TRANSPARENT), for the day is a forecast.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from icalendar import Calendar, Event, vDuration, vText

from alerts.phrases import MANUAL_FIRST, plain
from deploy.service_events import ServiceEvent
from models.cautions import WORK_IN_SHORT
from models.due_words import due_in_words
from models.units import Units

PRODUCT = "-//Heatbook//Service dates//EN"
REFRESH = timedelta(hours=6)
"""How often readers are asked to come again; dates are looked at once a day."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """A calendar as it is sent; ``changed_ms`` [Unix ms], 0 while there is nothing in it."""

    body: bytes
    changed_ms: int


def feed(
    events: Iterable[ServiceEvent],
    *,
    title: str,
    units: Units,
    names: Mapping[str, str],
) -> Feed:
    """Write a calendar: the same events give the same bytes."""
    shown = [event for event in events if event.median_ms is not None]
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    # RFC 7986; the third is what older readers know instead of the first.
    called = vText(plain(title))
    calendar.add("name", called)
    calendar.add("refresh-interval", vDuration(REFRESH), parameters={"VALUE": "DURATION"})
    calendar.add("x-wr-calname", called)
    for event in shown:
        calendar.add_component(_event(event, units, names))
    changed_ms = max((event.changed_ms for event in shown), default=0)
    return Feed(body=calendar.to_ical(sorted=False), changed_ms=changed_ms)


def _event(event: ServiceEvent, units: Units, names: Mapping[str, str]) -> Event:
    days = event.days(units.zone)
    if days is None:
        raise ValueError(f"{event.vehicle} has no date")
    changed = datetime.fromtimestamp(event.changed_ms // 1000, UTC)
    made = Event()
    made.add("uid", event.uid)
    # Without a METHOD both say when the event was last changed (RFC 5545, section 3.8.7.2).
    made.add("dtstamp", changed)
    made.add("last-modified", changed)
    made.add("sequence", event.sequence)
    made.add("dtstart", days[0])
    made.add("dtend", days[1])
    made.add("summary", _summary(event, names))
    made.add("description", _description(event, units))
    made.add("categories", ["Service"])
    made.add("transp", "TRANSPARENT")
    made.add("class", "PRIVATE")
    return made


def _summary(event: ServiceEvent, names: Mapping[str, str]) -> str:
    code, name = plain(event.vehicle), plain(names.get(event.vehicle, ""))
    who = code if name in ("", code) else f"{code} {name}"
    return f"{who}: {'fluid service overdue' if event.overdue else 'fluid service due'}"


def _description(event: ServiceEvent, units: Units) -> str:
    told = due_in_words(
        units,
        event.reason,
        overdue=event.overdue,
        median_ms=_number(event.median_ms),
        early_ms=_number(event.early_ms),
        late_ms=_number(event.late_ms),
    )
    moves = "The date is a forecast and moves with how the truck is used."
    return f"{told}.\n{moves}\n{WORK_IN_SHORT}\n{MANUAL_FIRST}"


def _number(time_ms: int | None) -> float:
    return float("nan") if time_ms is None else float(time_ms)
