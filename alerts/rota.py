"""Who is on duty: a list of people that take turns by the calendar week (ISO 8601). Pure.

A week of duty begins at the handover, not at Monday's midnight: week 2026-W53 with a handover on
Monday at 07:00 lasts from then until a week later by the clock on the wall.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import lru_cache
from types import MappingProxyType

from alerts.hours import Hours

_WEEK = re.compile(r"(\d{4})-W(\d{2})")
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True, order=True)
class Week:
    """A calendar week of ISO 8601; the year is that of its Thursday."""

    year: int
    number: int

    def __str__(self) -> str:
        return f"{self.year:04d}-W{self.number:02d}"

    @property
    def monday(self) -> date:
        """The day on which it begins."""
        return date.fromisocalendar(self.year, self.number, 1)

    def after(self, weeks: int) -> Week:
        """Give the week that lies so many weeks later (or earlier)."""
        return week_of(self.monday + timedelta(weeks=weeks))

    def since(self, first: Week) -> int:
        """Count the weeks from ``first`` to this one."""
        return (self.monday - first.monday).days // 7


def week_of(day: date) -> Week:
    """Give the calendar week of a day."""
    found = day.isocalendar()
    return Week(found.year, found.week)


def parse_week(text: str) -> Week:
    """Read a week, "2026-W53".

    Raises
    ------
    ValueError
        It is none; many years have no week 53.
    """
    matched = _WEEK.fullmatch(text)
    if matched is None:
        raise ValueError(f"{text!r} is no calendar week; write it like 2026-W05")
    week = Week(int(matched[1]), int(matched[2]))
    try:
        week.monday  # noqa: B018 - asked whether there is such a week
    except ValueError:
        last = week_of(date(max(week.year, 1), 12, 28)).number
        raise ValueError(
            f"there is no week {text}; {week.year} has weeks 01 to {last}"
        ) from None
    return week


@dataclass(frozen=True, slots=True, kw_only=True)
class Rota:
    """People who take turns.

    ``turn``: their keys, the first on duty in the week ``first``. ``swaps``: who stands in, by week.
    ``handover_day`` (0 Monday) and ``handover_min`` (after midnight) in ``zone`` are when a week of
    duty begins. ``hours``: when whoever is on duty may be told of anything; None: their own.
    ``planned_until``: the last week that somebody has looked over; the turn goes on beyond it.
    """

    key: str
    turn: tuple[str, ...]
    first: Week
    zone: tzinfo
    swaps: Mapping[Week, str] = field(default_factory=lambda: MappingProxyType({}))
    handover_day: int = 0
    handover_min: int = 0
    hours: Hours | None = None
    planned_until: Week | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Duty:
    """One week of duty: who, from when until when [Unix ms], and whether it is a swap."""

    week: Week
    person: str
    from_ms: int
    until_ms: int
    swapped: bool


def on_duty(rota: Rota, time_ms: int) -> Duty:
    """Give who is on duty at ``time_ms`` [Unix ms]."""
    local = (_EPOCH + timedelta(milliseconds=time_ms)).astimezone(rota.zone)
    week = week_of(local.date())
    if time_ms < _begin_ms(rota, week):
        week = week.after(-1)
    return duty(rota, week)


def duty(rota: Rota, week: Week) -> Duty:
    """Give who is on duty in a calendar week."""
    stand_in = rota.swaps.get(week)
    return Duty(
        week=week,
        person=stand_in or rota.turn[week.since(rota.first) % len(rota.turn)],
        from_ms=_begin_ms(rota, week),
        until_ms=_begin_ms(rota, week.after(1)),
        swapped=stand_in is not None,
    )


def _begin_ms(rota: Rota, week: Week) -> int:
    return _moment_ms(week, rota.handover_day, rota.handover_min, rota.zone)


@lru_cache(maxsize=1024)  # two thousand alarms at once ask for the same few weeks
def _moment_ms(week: Week, day: int, minutes: int, zone: tzinfo) -> int:
    """Give when a week of duty begins: of two moments with one reading of the wall the first."""
    at = time(minutes // 60, minutes % 60)
    local = datetime.combine(week.monday + timedelta(days=day), at, zone)
    return round((local - _EPOCH) / timedelta(milliseconds=1))
