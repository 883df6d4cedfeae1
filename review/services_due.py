"""Which truck needs service when: in order of date, day by day of a month, and who could come together."""

from __future__ import annotations

import calendar
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from itertools import islice

from models.due import Due
from models.statement import Statement
from review.board_row import TruckLive
from review.reading import Standing, Stored
from review.standing import due_now

MOST_WEEKS = 12
"""Weeks for which it is said who could come together, the next first; own choice: as far as a shop plans."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceDue:
    """The next service of one truck; ``due`` and ``account`` are None while it has no account that holds."""

    truck: str
    title: str
    standing: Standing
    waiting: bool
    due: Due | None
    account: Statement | None

    def day(self, zone: tzinfo, today: date) -> date | None:
        """Give the day to do it on: today for what is due already; None: not in sight, or not known."""
        if self.due is None or self.due.median_ms is None:
            return None
        return max(today, _day(self.due.median_ms, zone))


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """One day of a calendar's page; ``within``: it belongs to the month, and is not there to fill a week."""

    date: date
    within: bool
    services: tuple[ServiceDue, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Month:
    """A month in whole weeks, Monday first; ``before`` and ``after`` are the first days of its neighbors."""

    first: date
    weeks: tuple[tuple[Day, ...], ...]
    before: date | None
    after: date | None

    @property
    def services(self) -> int:
        """Count the services of the month itself."""
        return sum(len(day.services) for week in self.weeks for day in week if day.within)


@dataclass(frozen=True, slots=True, kw_only=True)
class Together:
    """Trucks that are due within one week, which begins on ``monday``."""

    monday: date
    services: tuple[ServiceDue, ...]


def service_due(stored: Stored, now_ms: int) -> ServiceDue:
    """Say when a truck's service is due."""
    good = stored.state is not None
    return ServiceDue(
        truck=stored.name,
        title=stored.vehicle.title or stored.name,
        standing=stored.standing,
        waiting=stored.waiting,
        due=due_now(stored, now_ms) if good else None,
        account=stored.statement if good else None,
    )


def of_board(truck: TruckLive) -> ServiceDue:
    """Say the same of a truck as the board has it."""
    return ServiceDue(
        truck=truck.name,
        title=truck.title,
        standing=truck.standing,
        waiting=truck.waiting,
        due=truck.due,
        account=truck.account,
    )


def in_order(services: Iterable[ServiceDue]) -> tuple[ServiceDue, ...]:
    """Put them in order: overdue, the most of its limit used first; then by date; the unknown last."""
    return tuple(sorted(services, key=_place))


def month_of(
    services: Sequence[ServiceDue], month: date, *, today: date, zone: tzinfo
) -> Month:
    """Lay the services of a month out in weeks; each that has a day stands on that one day."""
    by_day: dict[date, list[ServiceDue]] = defaultdict(list)
    for each in services:
        day = each.day(zone, today)
        if day is not None:
            by_day[day].append(each)
    weeks = calendar.Calendar(calendar.MONDAY).monthdatescalendar(month.year, month.month)
    return Month(
        first=month.replace(day=1),
        weeks=tuple(
            tuple(
                Day(
                    date=day,
                    within=day.month == month.month,
                    services=tuple(by_day.get(day, ())) if day.month == month.month else (),
                )
                for day in week
            )
            for week in weeks
        ),
        before=_month(month, -1),
        after=_month(month, 1),
    )


def together(
    services: Sequence[ServiceDue], *, today: date, zone: tzinfo, most: int = MOST_WEEKS
) -> tuple[Together, ...]:
    """Give the next weeks in which more than one truck is due."""
    by_week: dict[date, list[ServiceDue]] = defaultdict(list)
    for each in services:
        day = each.day(zone, today)
        if day is not None:
            by_week[day - timedelta(days=day.weekday())].append(each)
    weeks = (
        Together(monday=monday, services=tuple(found))
        for monday, found in sorted(by_week.items())
        if len(found) > 1
    )
    return tuple(islice(weeks, most))


def today_of(now_ms: int, zone: tzinfo) -> date:
    """Give the day that it is."""
    return _day(now_ms, zone)


def _place(service: ServiceDue) -> tuple[int, float, str]:
    due = service.due
    if due is None:
        return 3, 0.0, service.truck
    if due.median_ms is None:
        return 2, -due.share, service.truck
    if due.overdue:
        return 0, -due.share, service.truck
    return 1, float(due.median_ms), service.truck


def _month(month: date, step: int) -> date | None:
    """Give the first day of a neighboring month; None: no calendar has it."""
    counted = month.year * 12 + month.month - 1 + step
    year = counted // 12
    return date(year, counted % 12 + 1, 1) if date.min.year < year < date.max.year else None


def _day(time_ms: int, zone: tzinfo) -> date:
    return datetime.fromtimestamp(time_ms / 1000, UTC).astimezone(zone).date()
