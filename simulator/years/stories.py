"""What sets each truck of the invented fleet apart in its two years."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import date

from simulator.faults import Fault
from simulator.routes import Route
from simulator.years.moments import FAILED, FIRST_DAY, START_MS, at
from simulator.years.ways import (
    EMPTY,
    RING,
    TOWN,
    climb,
    grain_hill,
    hills,
    last_climb,
    last_climb_on,
    tow,
)
from simulator.years.work import Style, Trip, holidays


def _after(day: date, hour: float = 0.0) -> float:
    """Give an hour of a day in seconds after the start of the years."""
    return (at(day, hour) - START_MS) / 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """What sets one truck's years apart: its trips, how far it came, its faults, its silences.

    ``reads_slip``: its gateway read the clutch's slip too, as it does no more on the fleet's day.
    """

    styles: tuple[Style, ...]
    km_a_year: float
    began: date = FIRST_DAY
    began_km: float | None = None
    weekdays: tuple[float, ...] = (0.6, 0.65, 0.65, 0.65, 0.55, 0.1, 0.0)
    away: tuple[tuple[date, date], ...] = ()
    faults: tuple[Fault, ...] = ()
    silent: tuple[tuple[int, int], ...] = ()
    special: tuple[Trip, ...] = ()
    reads_slip: bool = False


def _fault(
    kind: str, since: date, until: date, size: float, *, days: float = 0.0, hour: float = 0.0
) -> Fault:
    """Give a fault from one day to another that grows for so many days."""
    return Fault(
        kind=kind,
        since_s=_after(since, hour),
        until_s=_after(until),
        size=size,
        ramp_s=86_400.0 * days,
    )


def _special(
    day: date, hour: float, length_km: float, route: Callable[[float], Route], load_kg: float
) -> Trip:
    style = Style(route=route, lightest_kg=load_kg, heaviest_kg=load_kg)
    return Trip(
        start_ms=at(day, hour), from_km=0.0, to_km=length_km, style=style, load_kg=load_kg
    )


STORIES: Mapping[str, Story] = {
    "NF-01": Story(
        reads_slip=True,
        styles=(tow(3_000.0, 5_200.0), replace(EMPTY, weight=0.5)),
        km_a_year=15_100.0,
        away=(holidays(date(2024, 8, 5), 12), holidays(date(2025, 9, 1), 14)),
    ),
    "NF-02": Story(
        styles=(TOWN, replace(RING, weight=1.2)),
        km_a_year=12_100.0,
        away=(holidays(date(2024, 7, 22), 7), holidays(date(2025, 8, 18), 7)),
        faults=(
            # A chafed wire at the fluid's sensor.
            _fault("sensor_noise", date(2024, 11, 18), date(2024, 11, 23), 18.0),
        ),
    ),
    "NF-03": Story(
        reads_slip=True,
        styles=(
            hills(4_500.0, 7_000.0),
            tow(5_000.0, 7_000.0, 0.5),
            replace(EMPTY, weight=0.4),
        ),
        km_a_year=10_400.0,
        away=(holidays(date(2025, 1, 3), 10), holidays(date(2026, 1, 3), 12)),
    ),
    "NF-04": Story(
        styles=(tow(6_000.0, 11_000.0), replace(EMPTY, weight=0.6)),
        km_a_year=17_600.0,
        away=(holidays(date(2024, 8, 12), 14), holidays(date(2025, 8, 4), 14)),
    ),
    "NF-05": Story(
        styles=(
            tow(3_500.0, 6_000.0),
            replace(EMPTY, weight=0.4),
            Style(
                route=grain_hill,
                lightest_kg=9_000.0,
                heaviest_kg=9_800.0,
                mean_km_h=52.0,
                spell=(date(2025, 9, 8), date(2025, 9, 19)),
            ),
        ),
        km_a_year=17_700.0,
        away=(holidays(date(2024, 9, 9), 14), holidays(date(2025, 6, 30), 10)),
    ),
    "NF-06": Story(
        styles=(tow(1_800.0, 3_500.0), replace(EMPTY, weight=0.5)),
        km_a_year=8_660.0,
        weekdays=(0.45, 0.4, 0.45, 0.4, 0.45, 0.05, 0.0),
        away=(holidays(date(2025, 2, 10), 21), holidays(date(2025, 8, 11), 14)),
    ),
    "NF-07": Story(
        reads_slip=True,
        styles=(tow(4_500.0, 7_000.0), replace(EMPTY, weight=0.4)),
        km_a_year=34_300.0,
        weekdays=(0.9, 0.9, 0.9, 0.9, 0.9, 0.2, 0.0),
        away=(holidays(date(2024, 7, 29), 14), holidays(date(2025, 7, 28), 14)),
        faults=(
            # Poplar fluff and chaff in the cooler's fins; blown out in the shop on 11 July.
            _fault("cooler_starved", date(2025, 6, 2), date(2025, 7, 12), 0.97, days=20.0),
        ),
    ),
    "NF-08": Story(
        reads_slip=True,
        styles=(
            hills(2_400.0, 3_500.0),
            climb(2_200.0, 3_200.0, 0.8),
            replace(EMPTY, weight=0.2),
        ),
        km_a_year=11_300.0,
        weekdays=(0.5, 0.5, 0.5, 0.5, 0.45, 0.1, 0.0),
        away=(holidays(date(2025, 8, 25), 12), (FAILED, date(2026, 3, 22))),
        faults=(
            _fault("bypass_stuck", date(2025, 10, 1), date(2026, 2, 20), 0.93, days=100.0),
            _fault("bypass_stuck", date(2026, 2, 20), date(2026, 3, 21), 0.95),
            # Clutches in fluid that has cooked.
            _fault("lockup_slip", FAILED, date(2026, 3, 21), 110.0, hour=4.9),
        ),
        silent=((at(date(2026, 2, 9), 3.9), at(date(2026, 2, 13), 12.0)),),
        special=(
            _special(date(2026, 1, 22), 3.0, 92.0, last_climb, 3_900.0),
            _special(date(2026, 2, 4), 3.1, 88.0, last_climb, 3_600.0),
            _special(FAILED, 2.7, 101.0, last_climb, 4_600.0),
            _special(FAILED, 5.1, 11.0, last_climb_on, 4_600.0),
        ),
    ),
    "NF-09": Story(
        styles=(hills(2_500.0, 3_800.0), climb(2_500.0, 3_500.0, 0.4)),
        km_a_year=20_400.0,
        began=date(2025, 8, 4),
        began_km=310.0,
    ),
    "NF-10": Story(
        styles=(tow(7_000.0, 11_000.0), replace(EMPTY, weight=0.4)),
        km_a_year=18_200.0,
        away=(holidays(date(2024, 8, 19), 14), holidays(date(2025, 8, 4), 14)),
    ),
}
