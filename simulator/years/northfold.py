"""The invented fleet's two years before its day: planned, and driven truck by truck."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from datetime import date
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.northfold import WEATHER, fleet_file, northfold
from simulator.physics.weather import Weather
from simulator.sensors import WITH_SLIP
from simulator.years.moments import DAYS, END_MS, LAST_DAY, START_MS, at
from simulator.years.stories import STORIES, Story
from simulator.years.truck_years import TruckYears, drive
from simulator.years.weather import years_of_weather
from simulator.years.work import Reading, Trip, Work, odometers, trips

SEED = 1
PERIOD_S = 60
LAST_MORNING_H = 1.4
"""How long each truck is out in the morning before ``END_MS`` [h]."""

LIFE_USED_AT_START = 0.08
"""What each truck's fluid had used when the years begin [-]."""


@cache
def truck_years(vehicle: str, *, seed: int = SEED, period_s: int = PERIOD_S) -> TruckYears:
    """Give one truck's two years, planned and not yet driven."""
    story = STORIES[vehicle]
    plan = next(each for each in northfold().plans if each.vehicle == vehicle)
    if story.reads_slip:
        plan = replace(plan, fit=replace(plan.fit, signals=WITH_SLIP))
    rng = np.random.default_rng([seed, int.from_bytes(vehicle.encode(), "big"), 0x701])
    work = _work(vehicle, story, plan.odometer_km)
    return TruckYears(
        plan=plan,
        trips=trips(work, rng=rng, special=(*story.special, _last_morning(story))),
        start_ms=START_MS,
        air=_air(seed),
        faults=story.faults,
        silent=story.silent,
        period_s=period_s,
        engine_hours_h=plan.engine_hours_h,
    )


@cache
def _air(seed: int) -> tuple[Weather, ...]:
    return years_of_weather(seed=seed, start_ms=START_MS, days=DAYS, last=WEATHER)


def _work(vehicle: str, story: Story, end_km: float) -> Work:
    filled = tomllib.loads(fleet_file())["vehicles"][vehicle]
    filled_km = float(filled["installed_odometer_km"])
    filled_day = date.fromisoformat(filled["installed"])
    began_km = story.began_km
    if began_km is None:
        years = (filled_day - story.began).days / 365.25
        began_km = round(filled_km - story.km_a_year * years, 1)
    readings = (
        Reading(time_ms=at(story.began, 0.0), odometer_km=began_km),
        Reading(time_ms=at(filled_day), odometer_km=filled_km),
        Reading(time_ms=END_MS, odometer_km=end_km),
    )
    return Work(
        readings=readings, styles=story.styles, weekdays=story.weekdays, away=story.away
    )


def _last_morning(story: Story) -> Trip:
    """Give the trip from which a truck rests when its day of trouble begins."""
    style = story.styles[0]
    length_km = style.mean_km_h * LAST_MORNING_H
    return Trip(
        start_ms=at(LAST_DAY, 5.0 - LAST_MORNING_H),
        from_km=0.0,
        to_km=length_km,
        style=style,
        load_kg=(style.lightest_kg + style.heaviest_kg) / 2.0,
    )


def driven(vehicle: str, *, since_ms: int = START_MS) -> NDArray[Any]:
    """Drive one truck's years, or their end from ``since_ms`` on; gives records ``READING``."""
    return drive(truck_years(vehicle), seed=SEED, since_ms=since_ms)


def odometer_km(vehicle: str, time_ms: int) -> float:
    """Read a truck's counter in the shop [km]."""
    planned = truck_years(vehicle).trips
    return float(np.round(odometers(planned, np.array([time_ms])), 0)[0])


def years_file() -> str:
    """Return the text of the fleet file with the fills that were in when the years begin.

    What was changed since stands in the service record (``simulator.years.story``).
    """
    lines: list[str] = []
    vehicle = ""
    for line in fleet_file().splitlines():
        if found := re.match(r"\[vehicles\.(NF-\d+)\]", line):
            vehicle = found[1]
        if line.startswith("life_used_at_start"):
            continue
        lines += (
            _first_fill(vehicle)
            if line.startswith("installed =")
            else ([] if line.startswith("installed_odometer_km") else [line])
        )
    return "\n".join(lines) + "\n"


def _first_fill(vehicle: str) -> list[str]:
    story = STORIES[vehicle]
    began_km = truck_years(vehicle).trips[0].from_km
    lines = [
        f'installed = "{story.began.isoformat()}"',
        f"installed_odometer_km = {began_km:.1f}",
    ]
    new = story.began_km is not None
    return lines if new else [*lines, f"life_used_at_start = {LIFE_USED_AT_START}"]
