"""The invented years: the same each time, possible in every signal, and in step with the fleet file."""

from __future__ import annotations

import tomllib
from datetime import UTC, date, datetime
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from models.sample import SIGNALS
from simulator.northfold import fleet_file, northfold
from simulator.years.moments import DAY_MS, END_MS, FAILED, at
from simulator.years.northfold import driven, odometer_km, truck_years, years_file
from simulator.years.stories import STORIES
from simulator.years.story import happenings
from simulator.years.truck_years import drive
from simulator.years.work import closed

SIX_WEEKS_MS = END_MS - 42 * DAY_MS
FILE = tomllib.loads(fleet_file())["vehicles"]


@cache
def late(vehicle: str) -> NDArray[Any]:
    return driven(vehicle, since_ms=SIX_WEEKS_MS)


def day_of(time_ms: int) -> date:
    return datetime.fromtimestamp(time_ms / 1000, UTC).date()


def test_the_same_seed_drives_the_same_and_another_does_not() -> None:
    again = driven("NF-03", since_ms=SIX_WEEKS_MS)
    assert again.tobytes() == late("NF-03").tobytes()
    other = drive(truck_years("NF-03"), seed=2, since_ms=SIX_WEEKS_MS)
    assert other.tobytes() != again.tobytes()


@pytest.mark.parametrize("vehicle", STORIES)
def test_time_goes_forward_and_every_signal_is_possible(vehicle: str) -> None:
    readings = late(vehicle)
    assert (np.diff(readings["time_ms"]) > 0).all()
    assert readings["time_ms"][-1] < END_MS
    plan = truck_years(vehicle).plan
    for signal in SIGNALS:
        known = readings[signal.name][~np.isnan(readings[signal.name])]
        assert (len(known) > 0) == (signal.name in plan.fit.signals), signal.name
        assert ((known >= signal.low) & (known <= signal.high)).all(), signal.name


@pytest.mark.parametrize("vehicle", STORIES)
def test_the_odometer_goes_on_where_the_demo_day_begins(vehicle: str) -> None:
    plan = next(each for each in northfold().plans if each.vehicle == vehicle)
    last_km = float(late(vehicle)["odometer_km"][-1])
    # The truck rolls on for some 200 m after the end of its way.
    assert last_km == pytest.approx(plan.odometer_km, abs=0.6)
    filled = date.fromisoformat(FILE[vehicle]["installed"])
    assert odometer_km(vehicle, at(filled)) == FILE[vehicle]["installed_odometer_km"]


def test_a_truck_that_begins_late_begins_new() -> None:
    fills = tomllib.loads(years_file())["vehicles"]
    assert fills["NF-09"]["installed"] == "2025-08-04"
    assert fills["NF-09"]["installed_odometer_km"] == 310.0
    assert "life_used_at_start" not in fills["NF-09"]
    # All else is as the fleet file of the day has it.
    what_is_filled = {"installed", "installed_odometer_km", "life_used_at_start"}
    for vehicle, keys in fills.items():
        assert {k: v for k, v in keys.items() if k not in what_is_filled} == {
            k: v for k, v in FILE[vehicle].items() if k not in what_is_filled
        }


def test_nobody_works_on_sundays_nor_at_the_turn_of_the_year() -> None:
    for vehicle in STORIES:
        for trip in truck_years(vehicle).trips:
            day = day_of(trip.start_ms)
            assert day.weekday() != 6, (vehicle, day)
            assert not closed(day), (vehicle, day)


def test_a_truck_rests_once_its_gearbox_has_failed() -> None:
    starts = [day_of(trip.start_ms) for trip in truck_years("NF-08").trips]
    assert sum(start == FAILED for start in starts) == 2
    assert not [start for start in starts if FAILED < start < date(2026, 3, 23)]


def test_a_fault_shows_in_the_truck_that_has_it() -> None:
    hot = driven("NF-08", since_ms=at(date(2026, 3, 16), 0.0))
    of_day = hot["time_ms"] // DAY_MS
    failed = of_day == at(FAILED, 0.0) // DAY_MS
    assert np.nanmax(hot["fluid_temp_c"][failed]) > 140.0
    assert np.nanmax(hot["fluid_temp_c"][of_day > at(date(2026, 3, 21)) // DAY_MS]) < 100.0


def test_what_people_did_is_in_order_and_entered_after_it_was_done() -> None:
    told = happenings()
    assert [each.at_ms for each in told] == sorted(each.at_ms for each in told)
    assert {each.who for each in told} == {"Ines", "Omar", "Kim"}
    assert all(each.at_ms < END_MS for each in told)
