"""The summary of a week: every truck in a line, the hottest hours, alarms, services; pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from alerts.ledger import Alarm
from alerts.notice import Picture
from alerts.page import Report, Table
from alerts.phrases import number_of, plain
from alerts.sheet import Passage
from alerts.teller import Teller
from deploy.digest import services, soonest
from deploy.truck_week import HotHour, TruckWeek
from models.transition import Priority
from review.fleet_look import TruckNow

HEAD = "Week's summary"
HOURS = 5
"""So many of the hottest hours are named."""

_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """All that the summary is made from; times in Unix ms.

    ``alarms``: those that began in the span. ``trucks`` are those that have an account, ``now`` all of
    them as they stand.
    """

    since_ms: int
    until_ms: int
    trucks: Sequence[TruckWeek]
    now: Sequence[TruckNow]
    alarms: Sequence[Alarm]
    services_ms: int


def report(found: Week, teller: Teller, pictures: Sequence[Picture] = ()) -> Report:
    """Lay the summary out for one reader."""
    parts: list[Passage | Table | Picture] = list(pictures)
    if found.trucks:
        parts.append(_trucks(found, teller))
    if hours := _hottest(found):
        parts.append(_hours(hours, teller))
    if found.alarms:
        parts.append(_alarms(found.alarms, teller))
    if due := soonest(found.now, found.until_ms + found.services_ms):
        days = round(found.services_ms / 86_400_000)
        parts.append(services(due, teller, f"Services within {days} days"))
    parts.append(Passage(heading="How far to trust it", lines=(_TRUST,)))
    units = teller.units
    return Report(
        head=HEAD,
        title=f"{units.day(found.since_ms, year=False)} to {units.day(found.until_ms)}",
        lead=_lead(found, teller),
        parts=tuple(parts),
    )


_TRUST = (
    "Life used is the account's best estimate; 'heatbook fleet show' has its band and what it rests on. Time "
    "above a limit counts what was measured: what nobody saw is not in it."
)


def _lead(found: Week, teller: Teller) -> str:
    distance = teller.units.length(sum(each.distance_km for each in found.trucks))
    above_s = sum(each.above_s for each in found.trucks)
    driven = sum(each.distance_km > 0.0 for each in found.trucks)
    count = len(found.alarms)
    alarms = number_of(count, "alarm") if count else "no alarm"
    return (
        f"{driven} of {len(found.now)} trucks drove {distance}; {_span(above_s)} above their limits; "
        f"{alarms}."
    )


def _trucks(found: Week, teller: Teller) -> Table:
    """Give every truck a line: the one with the most life used first."""
    order = sorted(found.trucks, key=lambda each: (-each.life_used, each.name))
    rows = tuple(_row(each, teller) for each in order)
    heads = ("Truck", "Life used", "This week", "Distance", "Above limit")
    return Table(caption="Trucks", heads=heads, rows=rows, numbers=frozenset(range(1, 5)))


def _row(truck: TruckWeek, teller: Teller) -> tuple[str, ...]:
    return (
        plain(truck.name),  # with what people call it the table would not fit a phone
        f"{truck.life_used:.0%}",
        _gained(truck.life_gained),
        teller.units.length(truck.distance_km),
        _span(truck.above_s) if truck.peaks_c else "–",
    )


def _gained(life: float | None) -> str:
    if life is None:
        return "new fluid"
    return f"+{life:.1%}" if life >= 0.0005 else "<0.1%"


def _hottest(found: Week) -> list[tuple[TruckWeek, HotHour]]:
    hours = [(truck, hour) for truck in found.trucks for hour in truck.hottest]
    hours.sort(key=lambda pair: (-pair[1].mean_c, pair[0].name))
    return hours[:HOURS]


def _hours(hours: Sequence[tuple[TruckWeek, HotHour]], teller: Teller) -> Table:
    rows = tuple(
        (
            teller.who(truck.name),
            _clock(hour.start_ms, teller),
            teller.units.degrees(hour.mean_c),
            teller.units.degrees(truck.limit_c),
        )
        for truck, hour in hours
    )
    heads = ("Truck", "Hour", "Mean", "Its limit")
    return Table(caption="Hottest hours", heads=heads, rows=rows, numbers=frozenset({2, 3}))


def _alarms(alarms: Sequence[Alarm], teller: Teller) -> Table:
    """Count alarms by truck, priority and what they say, the most urgent first."""
    counts: Counter[tuple[Priority, str, str]] = Counter(
        (each.priority, each.vehicle, teller.say(each).title) for each in alarms
    )
    order = sorted(counts.items(), key=lambda pair: (-pair[0][0], pair[0][1], pair[0][2]))
    rows = tuple(
        (teller.who(vehicle), title, priority.name.lower(), str(count))
        for (priority, vehicle, title), count in order
    )
    heads = ("Truck", "Alarm", "Priority", "Times")
    return Table(caption="Alarms that began", heads=heads, rows=rows, numbers=frozenset({3}))


def _clock(time_ms: int, teller: Teller) -> str:
    begin = datetime.fromtimestamp(time_ms / 1000, teller.units.zone)
    return f"{_DAYS[begin.weekday()]} {begin:%H:%M} to {(begin.hour + 1) % 24:02}:{begin:%M}"


def _span(seconds: float) -> str:
    if seconds < 60.0:
        return "0 min"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"
