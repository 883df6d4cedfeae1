"""The account as a person reads it: every part where it belongs."""

from __future__ import annotations

import math

import pytest

from models.fleet import CHART
from models.histogram import BINS, row_of, time_above_h
from models.kernel import STATE
from models.layout import blank
from tests.models.drives import drive_samples
from tests.models.entries import count, entry, parts
from tests.models.fills import account_of, fill_params, run, stated
from tests.recorded import NOON_MS


def test_before_the_first_sample_everything_is_as_the_fluid_went_in() -> None:
    fresh = stated(fill_params(), blank(STATE))
    assert (fresh.life_used, fresh.antioxidant_left, fresh.oxidation) == (0.0, 1.0, 0.0)
    assert (fresh.offset_k, fresh.offset_sd_k, fresh.nights) == (0.0, 2.0, 0)
    assert fresh.bins == fresh.soak_bins == (0.0,) * BINS
    assert math.isnan(fresh.mean_kinetic_temp_c)
    assert math.isnan(fresh.soak_off_k)
    params = fill_params(oxidation_factor=4.0)
    state = blank(STATE)
    count(params, state, entry("install", NOON_MS, life_used=1.4))
    due = stated(params, state)
    assert due.life_used == pytest.approx(1.4, rel=1e-12)
    assert due.antioxidant_left == pytest.approx(0.25**1.1)
    assert due.oxidation == pytest.approx(0.1)


def test_a_drive_with_a_stop() -> None:
    samples = drive_samples("NF-03")
    account = account_of(samples)
    hours = (samples[-1]["time_ms"] - samples[0]["time_ms"]) / 3.6e6
    assert account.seen_hours + account.parked_hours == pytest.approx(hours, abs=0.02)
    assert account.parked_hours > 1.0
    assert (account.unseen_hours, account.unseen_equivalent_hours) == (0.0, 0.0)
    assert 0.0 < account.soak_equivalent_hours < account.equivalent_hours
    whole = account.equivalent_hours + account.soak_equivalent_hours
    assert account.life_used == pytest.approx(whole * 3600.0 / CHART.reference_life_s)
    assert account.antioxidant_left == pytest.approx(0.25**account.life_used)
    assert account.oxidation == 0.0
    assert account.life_low < account.life_used < account.life_high


def test_what_the_fluid_aged_parked_is_what_a_gateway_that_never_sleeps_would_have_seen() -> (
    None
):
    # 79 minutes from 144 °C, in a simulated truck of metal and fluid that cool each at its own pace.
    watched = account_of(drive_samples("NF-03", always_on=True))
    account = account_of(drive_samples("NF-03"))
    assert watched.parked_hours == watched.soak_equivalent_hours == 0.0
    missed = watched.equivalent_hours - account.equivalent_hours
    assert account.soak_equivalent_hours == pytest.approx(missed, rel=0.15)
    assert account.life_low < watched.life_used < account.life_high
    assert account.life_used == pytest.approx(watched.life_used, rel=0.06)


def test_the_histogram_holds_the_time_that_was_seen() -> None:
    samples = drive_samples("NF-03")
    account = account_of(samples)
    assert sum(account.bins) / 3600.0 == pytest.approx(account.seen_hours, rel=1e-12)
    assert sum(account.soak_bins) / 3600.0 == pytest.approx(account.parked_hours, rel=1e-9)
    assert max(row for row, seconds in enumerate(account.bins) if seconds) == row_of(
        account.hottest_c
    )
    hot = [one for one in samples if one["fluid_temp_c"] >= 120.0]
    assert time_above_h(account.bins, 120.0) == pytest.approx(len(hot) / 3600.0, abs=0.01)


def test_a_pan_drop_thins_what_belongs_to_the_fluid_only() -> None:
    params = fill_params()
    state = run(params, drive_samples("NF-03"))
    before = stated(params, state)
    count(params, state, entry("pan_drop", NOON_MS, volume_l=4.5))
    after = stated(params, state)
    for name in ("life_used", "equivalent_hours", "soak_equivalent_hours"):
        assert getattr(after, name) == pytest.approx(0.625 * getattr(before, name))
    assert after.bins == pytest.approx([0.625 * one for one in before.bins])
    for name in ("seen_hours", "parked_hours", "distance_km", "hottest_c", "samples"):
        assert getattr(after, name) == getattr(before, name)
    assert after.mean_kinetic_temp_c == before.mean_kinetic_temp_c
    assert after.antioxidant_left > before.antioxidant_left


def test_what_the_checks_found_is_stated() -> None:
    params = fill_params()
    state = run(params, drive_samples("NF-09"))
    _, account = parts(params, state)
    account.soak.checks, account.soak.check_sum_k, account.soak.check_squares_k2 = 4, 10.0, 61.0
    account.offset.nights, account.offset.weight, account.offset.sum_k = 9, 9.0, 27.0
    account.offset.faulty = 2
    account.travel.breaks, account.travel.rollovers, account.travel.stuck = 3, 1, 2
    account.travel.unknown_breaks, account.travel.last_break_ms = 1, NOON_MS
    account.travel.odometer.wild = 5
    found = stated(params, state)
    assert (found.soak_checks, found.soak_off_k, found.soak_off_sd_k) == (4, 2.5, 3.0)
    assert (found.nights, found.faulty_nights) == (9, 2)
    assert 1.0 < found.offset_k < 3.0
    assert found.offset_sd_k < 2.0
    assert (found.odometer_breaks, found.odometer_rollovers, found.odometer_stuck) == (3, 1, 2)
    assert (found.odometer_blind_breaks, found.odometer_break_ms) == (1, NOON_MS)
    assert found.odometer_wild == 5
    assert found.odometer_read
    assert not stated(params, blank(STATE)).odometer_read
