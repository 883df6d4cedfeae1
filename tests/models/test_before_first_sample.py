"""What was done before a truck's first sample: its counter, read by people, carries the account up to it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from models.course import run
from models.due import driven_km
from models.habits import per_km_s
from models.kernel import STATE
from models.layout import blank, record
from models.service import PAN_DROP_SHARE
from tests.models.entries import course, entry
from tests.models.fills import fill_params, stated
from tests.recorded import NOON_MS, climb, records

DAY_MS = 86_400_000
FIRST_KM = 130_000.0
PARAMS = fill_params()


def long_ago(kind: str, days: float, odometer_km: float, **more: Any) -> NDArray[Any]:
    return entry(kind, NOON_MS - days * DAY_MS, odometer_km=odometer_km, **more)


def after(*entries: NDArray[Any], **signals: float) -> NDArray[Any]:
    """Run the first ten minutes that were sampled, the counter standing, after what was done."""
    state = blank(STATE)
    signals = {"speed_km_h": 0.0, "odometer_km": FIRST_KM, **signals}
    run(course(PARAMS, *entries), state, records({**one, **signals} for one in climb(10)))
    return state


def account(state: NDArray[Any]) -> Any:
    return record(state).truck.account


def test_the_interval_begins_where_the_counter_stood_at_the_pan_drop() -> None:
    state = after(long_ago("pan_drop", 100, 100_000.0))
    assert driven_km(account(state)) == pytest.approx(30_000.0)


def test_a_later_service_has_its_own_place_on_the_fill() -> None:
    state = after(
        long_ago("exchange", 100, 100_000.0),
        long_ago("filter", 70, 110_000.0),
        long_ago("pan_drop", 50, 120_000.0),
    )
    fill = account(state).filling
    assert driven_km(account(state)) == pytest.approx(10_000.0)
    assert stated(PARAMS, state).distance_km == pytest.approx(30_000.0)
    assert fill.filter_km == pytest.approx(10_000.0)


def test_a_filter_of_before_the_fill_lies_so_far_before_it() -> None:
    state = after(
        long_ago("filter", 100, 100_000.0), long_ago("exchange", 50, 120_000.0, volume_l=100.0)
    )
    assert account(state).filling.filter_km == pytest.approx(-20_000.0)


def test_a_pan_drop_thins_what_was_driven_before_it_and_nothing_after() -> None:
    state = after(long_ago("install", 100, 100_000.0), long_ago("pan_drop", 50, 120_000.0))
    own = account(state)
    aged_km = (1.0 - PAN_DROP_SHARE) * 20_000.0 + 10_000.0
    assert own.travel.fluid_unseen_km == pytest.approx(aged_km)
    unseen_s = aged_km * per_km_s(record(PARAMS).account.habits, own.habits)
    assert stated(PARAMS, state).unseen_equivalent_hours == pytest.approx(unseen_s / 3600.0)


def test_of_what_was_driven_long_ago_nothing_falls_on_the_first_day() -> None:
    state = after(long_ago("install", 100, 100_000.0), long_ago("pan_drop", 50, 120_000.0))
    assert float(np.sum(account(state).habits.km)) == pytest.approx(0.0)


@pytest.mark.parametrize("misread_km", [90_000.0, 9_000_000.0])
def test_a_reading_that_no_truck_can_have_come_to_moves_nothing(misread_km: float) -> None:
    state = after(long_ago("install", 100, 100_000.0), long_ago("pan_drop", 50, misread_km))
    assert stated(PARAMS, state).distance_km == pytest.approx(30_000.0)


def test_a_truck_without_a_counter_keeps_what_people_read() -> None:
    state = after(
        long_ago("install", 100, 100_000.0),
        long_ago("pan_drop", 50, 120_000.0),
        odometer_km=math.nan,
    )
    assert stated(PARAMS, state).distance_km == pytest.approx(20_000.0)
