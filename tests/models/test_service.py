"""What each entry of a service record does to a truck's state."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from models.ageing import rate
from models.course import run as follow
from models.histogram import BINS, FIRST_C, WIDTH_K
from models.kernel import STATE, advance
from models.layout import blank, record
from models.mixture import antioxidant_left, oxidation
from models.service import BATCH_SD, PAN_DROP_SHARE, SERVICE_KINDS
from tests.models.entries import count, course, entry, parts, worn
from tests.models.fills import FOREVER_S, fill_params, run, steps
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, climb, records

PARAMS = fill_params(fluid_total_l=12.0)
LATER_MS = NOON_MS + 1000 * HOUR_MS


def driven(params: NDArray[Any] = PARAMS) -> NDArray[Any]:
    """A truck two hours on the road, its odometer at 50 100 km at the end."""
    samples = [
        {
            "time_ms": float(NOON_MS + minute * MINUTE_MS),
            "fluid_temp_c": 105.0,
            "speed_km_h": 50.0,
            "odometer_km": 50_000.0 + minute * 50.0 / 60.0,
        }
        for minute in range(121)
    ]
    return run(params, samples)


def test_to_register_changes_nothing() -> None:
    state = driven()
    before = state.tobytes()
    count(PARAMS, state, entry("register", LATER_MS))
    assert state.tobytes() == before


def test_a_new_fill_begins_everything_that_is_the_fills() -> None:
    state = driven()
    own, account = parts(PARAMS, state)
    habits = account.habits.copy()
    count(PARAMS, state, entry("install", LATER_MS, odometer_km=50_100.0, life_used=0.25))
    fill = account.filling
    assert (fill.opened, fill.started_ms, fill.samples) == (1, LATER_MS, 0)
    assert fill.installed_odometer_km == 50_100.0
    assert account.life_used == pytest.approx(0.25, rel=1e-12)
    assert antioxidant_left(own, account) == pytest.approx(own.antioxidant_at_end**0.25)
    for seconds in (
        account.heat.equivalent_s,
        account.heat.kinetic_s,
        account.heat.seen_s,
        account.heat.bins_s.sum(),
        account.soak.equivalent_s,
        account.travel.distance_km,
        account.travel.unseen_km,
    ):
        assert seconds == 0.0
    assert account.heat.hottest_c == -273.15
    marks = [name for name in habits.dtype.names if name.startswith("mark_")]
    assert all(account.habits[name] == 0.0 for name in marks)
    for name in ("day", "first_day", "equivalent_s", "km", "seen_km", "seen_run_s"):
        assert account.habits[name].tobytes() == habits[name].tobytes()
    assert (fill.services, fill.service_ms, fill.service_km) == (1, LATER_MS, 0.0)


def test_life_beyond_the_end_can_be_brought_along() -> None:
    state = blank(STATE)
    count(PARAMS, state, entry("install", life_used=1.8))
    own, account = parts(PARAMS, state)
    assert account.life_used == pytest.approx(1.8, rel=1e-12)
    assert oxidation(own, account) == pytest.approx(0.8 / own.oxidation_factor, rel=1e-12)


def test_nobody_knows_when_the_fill_went_in() -> None:
    state = blank(STATE)
    count(PARAMS, state, entry("install", -(2**62), life_used=0.2))
    advance(PARAMS, state, 0, records(climb(3)))
    fill = record(state).truck.account.filling
    first_ms = int(climb(3)[0]["time_ms"])
    assert (fill.started_ms, fill.service_ms) == (first_ms, first_ms)


def test_a_full_exchange() -> None:
    state = worn(PARAMS, 0.8)
    own, account = parts(PARAMS, state)
    count(PARAMS, state, entry("exchange", LATER_MS))
    assert (account.life_used, antioxidant_left(own, account)) == (0.0, 1.0)
    assert account.filling.started_ms == LATER_MS


@pytest.mark.parametrize("volume_l", [10.8, 11.4, 12.0, 14.0])
def test_an_exchange_of_nine_tenths_begins_a_fill_that_carries_the_rest(
    volume_l: float,
) -> None:
    state = worn(PARAMS, 1.5)
    own, account = parts(PARAMS, state)
    life, oxidised = float(account.life_used), oxidation(own, account)
    stays = max(0.0, 1.0 - volume_l / 12.0)
    count(PARAMS, state, entry("exchange", LATER_MS, volume_l=volume_l))
    assert account.life_used == pytest.approx(stays * life, rel=1e-12, abs=1e-15)
    assert oxidation(own, account) == pytest.approx(stays * oxidised, rel=1e-12, abs=1e-15)
    assert (account.filling.started_ms, account.heat.equivalent_s) == (LATER_MS, 0.0)


def test_an_exchange_of_less_mixes_and_the_fill_goes_on() -> None:
    state = worn(PARAMS, 0.8)
    _, account = parts(PARAMS, state)
    count(PARAMS, state, entry("exchange", LATER_MS, volume_l=9.0))
    assert account.life_used == pytest.approx(0.2, rel=1e-12)
    fill = account.filling
    assert (fill.started_ms, fill.service_ms, fill.pan_drops) == (NOON_MS, LATER_MS, 0)


def test_a_pan_drop_restarts_the_interval_and_not_the_fill() -> None:
    state = driven()
    _, account = parts(PARAMS, state)
    started_ms, samples = int(account.filling.started_ms), int(account.filling.samples)
    life, distance = float(account.life_used), float(account.travel.distance_km)
    now_ms = NOON_MS + 3 * HOUR_MS
    count(PARAMS, state, entry("pan_drop", now_ms, volume_l=4.5, odometer_km=50_130.0))
    fill = account.filling
    assert account.life_used == pytest.approx(0.625 * life, rel=1e-12)
    assert (fill.started_ms, fill.samples, fill.pan_drops) == (started_ms, samples, 1)
    assert (fill.services, fill.service_ms) == (1, now_ms)
    # 30 km were driven unseen before the service, by the counter read there.
    assert fill.service_km == pytest.approx(distance + 30.0)
    assert fill.filter_ms == 0
    count(PARAMS, state, entry("pan_drop", now_ms, filter=1.0))
    assert account.life_used == pytest.approx(0.625 * (1.0 - PAN_DROP_SHARE) * life, rel=1e-12)
    assert (fill.pan_drops, fill.services, fill.filter_ms) == (2, 2, now_ms)


@pytest.mark.parametrize("odometer_km", [49_000.0, 90_000.0])
def test_a_counter_that_cannot_be_is_not_believed(odometer_km: float) -> None:
    state = driven()
    _, account = parts(PARAMS, state)
    distance = float(account.travel.distance_km)
    now_ms = NOON_MS + 3 * HOUR_MS
    count(PARAMS, state, entry("pan_drop", now_ms, odometer_km=odometer_km))
    assert account.filling.service_km == pytest.approx(distance)


def test_a_filter_is_noted_and_stays_noted_over_a_new_fill() -> None:
    state = driven()
    _, account = parts(PARAMS, state)
    fill, life = account.filling, float(account.life_used)
    count(PARAMS, state, entry("filter", LATER_MS))
    distance = float(account.travel.distance_km)
    assert (fill.filter_ms, fill.filter_km) == (LATER_MS, distance)
    assert (account.life_used, fill.services) == (life, 0)
    account.travel.distance_km += 300.0
    count(PARAMS, state, entry("exchange", LATER_MS + 1))
    assert fill.filter_ms == LATER_MS
    assert float(account.travel.distance_km) - fill.filter_km == pytest.approx(300.0)


def test_a_top_up_is_no_service() -> None:
    state = worn(PARAMS, 0.8)
    _, account = parts(PARAMS, state)
    services, service_ms = int(account.filling.services), int(account.filling.service_ms)
    count(PARAMS, state, entry("top_up", LATER_MS, volume_l=1.2))
    assert account.life_used == pytest.approx(0.72, rel=1e-12)
    count(PARAMS, state, entry("top_up", LATER_MS))
    assert account.life_used == pytest.approx(0.72, rel=1e-12)
    assert (account.filling.services, account.filling.service_ms) == (services, service_ms)


OTHER = fill_params(
    fluid_total_l=12.0,
    reference_c=100.0,
    activation_energy_j_mol=90_000.0,
    reference_life_s=9e6,
    oxidation_factor=2.0,
)


@pytest.mark.parametrize(("volume_l", "stays"), [(math.nan, 0.0), (4.5, 0.625)])
def test_another_fluid(volume_l: float, stays: float) -> None:
    state = worn(PARAMS, 1.3)
    _, account = parts(PARAMS, state)
    life = float(account.life_used)
    account.filling.scale_ln, account.filling.scale_var = 0.0, 0.04
    account.habits.equivalent_s[3] = 1000.0
    account.habits.seen_equivalent_s = 5000.0
    heat = account.heat.bins_s.copy()
    count(OTHER, state, entry("fluid_change", LATER_MS, volume_l=volume_l), before=PARAMS)
    assert account.life_used == pytest.approx(stays * life, rel=1e-12)
    assert (account.filling.scale_ln, account.filling.scale_var) == (0.0, 0.0)
    assert (account.heat.equivalent_s, account.heat.bins_s.sum()) == (0.0, 0.0)
    # A day that cost 1000 s of the old fluid would have cost so much of the new one.
    middles_c = FIRST_C + WIDTH_K * (np.arange(BINS) + 0.5)
    costs = [
        sum(heat[row] * rate(record(p).account.ageing, middles_c[row]) for row in range(BINS))
        for p in (OTHER, PARAMS)
    ]
    assert account.habits.equivalent_s[3] == pytest.approx(1000.0 * costs[0] / costs[1])
    assert account.habits.seen_equivalent_s == pytest.approx(5000.0 * costs[0] / costs[1])


def test_what_samples_said_holds_for_the_next_batch_less_surely() -> None:
    state = worn(PARAMS, 0.5)
    own, account = parts(PARAMS, state)
    count(PARAMS, state, entry("sample", LATER_MS, antioxidant=0.3))
    fill = account.filling
    scale, var = float(fill.scale_ln), float(fill.scale_var)
    assert scale > 0.0
    count(PARAMS, state, entry("exchange", LATER_MS))
    assert (fill.scale_ln, fill.lab_samples) == (scale, 1)
    assert fill.scale_var == pytest.approx(var + BATCH_SD**2)
    for _ in range(40):
        count(PARAMS, state, entry("exchange", LATER_MS))
    assert fill.scale_var == pytest.approx(own.ln_life_sd**2)


def test_entries_before_the_first_sample() -> None:
    params = fill_params(fluid_total_l=12.0)
    state = blank(STATE)
    count(params, state, entry("install", -1, life_used=0.4))
    count(params, state, entry("pan_drop", NOON_MS - HOUR_MS, volume_l=6.0))
    _, account = parts(params, state)
    assert account.life_used == pytest.approx(0.2, rel=1e-12)
    advance(params, state, 0, records(climb(3)))
    fill = account.filling
    assert (fill.started_ms, fill.service_ms) == (
        int(climb(3)[0]["time_ms"]),
        NOON_MS - HOUR_MS,
    )


def test_the_course_counts_each_entry_in_its_place() -> None:
    params = fill_params(fluid_total_l=12.0, max_gap_s=FOREVER_S)
    samples = steps([(100.0, 100.0), (100.0, 100.0)])
    one = run(params, steps([(100.0, 100.0)]))
    per_stretch = float(record(one).truck.account.life_used)
    state = blank(STATE)
    told = course(
        params,
        entry("pan_drop", NOON_MS + 100 * HOUR_MS + 1, volume_l=6.0),
        entry("pan_drop", NOON_MS + 500 * HOUR_MS, volume_l=6.0),
    )
    follow(told, state, records(samples))
    assert record(state).truck.account.life_used == pytest.approx(
        0.5 * per_stretch + per_stretch, rel=1e-7
    )
    assert record(state).course.entries == 1


def test_every_kind_counts_in_any_state() -> None:
    for kind in SERVICE_KINDS:
        for state in (blank(STATE), driven(), worn(PARAMS, 2.0)):
            count(PARAMS, state, entry(kind, LATER_MS, antioxidant=0.5, volume_l=3.0))
            life = float(record(state).truck.account.life_used)
            assert math.isfinite(life)
            assert life >= 0.0


@pytest.mark.parametrize("read_km", [40_000.0, 900_000.0, 49_990.0])
def test_a_counter_read_wrongly_adds_no_distance(read_km: float) -> None:
    # Ninety thousand kilometres of unseen heat would follow from one slip of the pen.
    state = driven()
    _, account = parts(PARAMS, state)
    own_km = float(account.travel.odometer.km)
    count(PARAMS, state, entry("exchange", LATER_MS, odometer_km=read_km))
    assert account.filling.installed_odometer_km == own_km
