"""What a truck is there for, and the trips that come of it over years."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simulator.routes import Route
from simulator.years.moments import DAY_MS

FIRST_HOUR = 3.0
"""When the first trucks leave [hours after midnight UTC]: early morning where these trucks are."""

ONE_TRIP_KM = 75.0
SPREAD = 0.32
"""One standard deviation of ln(a day's distance)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Style:
    """A kind of trip: a route for a load [kg], the loads it may have, how often, its mean speed [km/h].

    ``spell``: days, first and last included, in which there is nothing but trips of this style; outside
    them there is none.
    """

    route: Callable[[float], Route]
    lightest_kg: float
    heaviest_kg: float
    weight: float = 1.0
    mean_km_h: float = 60.0
    spell: tuple[date, date] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What the odometer shows at a moment: the trips in between are planned to fit."""

    time_ms: int
    odometer_km: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """A truck's work: trips of these styles, how likely it goes out by weekday, days it stands.

    ``readings``: at least the first and the last; nothing is driven outside them. ``away``: spans of
    days in which it stands, first and last included.
    """

    readings: tuple[Reading, ...]
    styles: tuple[Style, ...]
    weekdays: tuple[float, ...] = (0.95, 0.97, 0.97, 0.97, 0.93, 0.15, 0.0)
    away: tuple[tuple[date, date], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """One trip: when it begins at the earliest [Unix ms], odometer at its ends [km], style, load [kg]."""

    start_ms: int
    from_km: float
    to_km: float
    style: Style
    load_kg: float


def trips(
    work: Work, *, rng: np.random.Generator, special: Sequence[Trip] = ()
) -> tuple[Trip, ...]:
    """Plan a truck's trips; where a day has ``special`` ones, they are all it does."""
    own: dict[int, list[Trip]] = {}
    for each in special:
        own.setdefault(each.start_ms // DAY_MS, []).append(each)
    planned: list[Trip] = []
    for before, after in pairwise(work.readings):
        days = _days(work, before.time_ms, after.time_ms, rng, frozenset(own))
        weights = rng.lognormal(0.0, SPREAD, len(days))
        fixed = [each for each in special if before.time_ms <= each.start_ms < after.time_ms]
        free_km = after.odometer_km - before.odometer_km - sum(map(_length_km, fixed))
        by_day = {
            day: _day(work, day, float(km), rng)
            for day, km in zip(days, weights * (free_km / weights.sum()), strict=True)
        }
        for each in fixed:
            by_day[each.start_ms // DAY_MS] = own[each.start_ms // DAY_MS]
        at_km = before.odometer_km
        for day in sorted(by_day):
            for each in by_day[day]:
                planned.append(replace(each, from_km=at_km, to_km=at_km + _length_km(each)))
                at_km = planned[-1].to_km
    return tuple(planned)


def _length_km(trip: Trip) -> float:
    return trip.to_km - trip.from_km


def _days(
    work: Work, first_ms: int, end_ms: int, rng: np.random.Generator, taken: frozenset[int]
) -> list[int]:
    """Number the days since 1970 on which the truck goes out."""
    out: list[int] = []
    for day in range(-(-first_ms // DAY_MS), end_ms // DAY_MS + 1):
        at = _date(day)
        goes = rng.random() < work.weekdays[at.weekday()]
        if goes and not closed(at) and not _stands(work, at) and day not in taken:
            out.append(day)
    return out


def closed(day: date) -> bool:
    """Say whether the whole yard rests: the turn of the year and a few single days."""
    if (day.month, day.day) >= (12, 24) or (day.month, day.day) <= (1, 2):
        return True
    return (day.month, day.day) in {(3, 27), (5, 1), (6, 5), (10, 3), (11, 1)}


def _stands(work: Work, day: date) -> bool:
    return any(first <= day <= last for first, last in work.away)


def _day(work: Work, day: int, km: float, rng: np.random.Generator) -> list[Trip]:
    """Give the trips of one day: one, or two with a break."""
    styles = _styles(work, _date(day))
    weights = np.array([style.weight for style in styles])
    start_s = 3600.0 * (FIRST_HOUR + rng.normal(0.0, 0.4))
    made: list[Trip] = []
    for share in (1.0,) if km < ONE_TRIP_KM else _halves(rng):
        style = styles[int(rng.choice(len(weights), p=weights / weights.sum()))]
        made.append(
            Trip(
                start_ms=day * DAY_MS + round(start_s) * 1000,
                from_km=0.0,
                to_km=km * share,
                style=style,
                load_kg=float(rng.uniform(style.lightest_kg, style.heaviest_kg)),
            )
        )
        start_s += 3600.0 * km * share / style.mean_km_h + rng.uniform(1_800.0, 4_500.0)
    return made


def _styles(work: Work, day: date) -> tuple[Style, ...]:
    of_now = tuple(
        each for each in work.styles if each.spell and each.spell[0] <= day <= each.spell[1]
    )
    return of_now or tuple(each for each in work.styles if each.spell is None)


def _date(day: int) -> date:
    return datetime.fromtimestamp(day * DAY_MS / 1000, UTC).date()


def _halves(rng: np.random.Generator) -> tuple[float, float]:
    share = float(rng.uniform(0.4, 0.6))
    return share, 1.0 - share


def holidays(first: date, days: int) -> tuple[date, date]:
    """Give a span of days in which a truck stands."""
    return first, first + timedelta(days=days - 1)


def odometers(planned: Sequence[Trip], times_ms: NDArray[np.int64]) -> NDArray[np.float64]:
    """Read the odometer [km] at moments between trips; within one, at its end."""
    starts = np.array([trip.start_ms for trip in planned])
    ends = np.array([planned[0].from_km, *(trip.to_km for trip in planned)])
    return np.asarray(ends[np.searchsorted(starts, times_ms, side="right")])
