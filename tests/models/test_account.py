"""The account of a fill: time and heat, what was not seen, where it begins; laws of every stream."""

from __future__ import annotations

import math
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.ageing import relative_rate
from models.fleet import CHART
from models.kernel import STATE, advance
from models.layout import blank, record
from models.sample import SIGNALS
from tests.models.fills import account_of, fill_params, run, stated
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS, climb, records

REFERENCE_C = CHART.reference_temp_c
HOTTEST_C = next(signal.high for signal in SIGNALS if signal.name == "fluid_temp_c")


def level(
    minutes: int, celsius: float, *, start_ms: int = NOON_MS, **other: float
) -> list[dict[str, float]]:
    """Record one temperature, a sample a minute, both ends included."""
    return [
        {"time_ms": float(start_ms + minute * MINUTE_MS), "fluid_temp_c": celsius, **other}
        for minute in range(minutes + 1)
    ]


def test_an_hour_at_the_reference_is_an_hour() -> None:
    account = account_of(level(60, REFERENCE_C))
    assert account.equivalent_hours == pytest.approx(1.0, rel=1e-12)
    assert account.seen_hours == pytest.approx(1.0, rel=1e-12)
    assert account.mean_kinetic_temp_c == pytest.approx(REFERENCE_C, abs=1e-9)
    assert (account.samples, account.started_ms) == (61, NOON_MS)
    assert account.hottest_c == REFERENCE_C


def test_nothing_is_charged_for_one_sample() -> None:
    account = account_of(level(0, 90.0))
    assert (account.seen_hours, account.equivalent_hours, account.life_used) == (0.0, 0.0, 0.0)
    assert math.isnan(account.mean_kinetic_temp_c)


def test_a_gap_is_unseen_and_not_charged() -> None:
    samples = level(10, 120.0) + level(10, 120.0, start_ms=NOON_MS + 3 * HOUR_MS)
    account = account_of(samples)
    assert account.seen_hours == pytest.approx(20.0 / 60.0)
    assert account.unseen_hours == pytest.approx(3.0 - 10.0 / 60.0)
    rate = relative_rate(120.0, REFERENCE_C, CHART.activation_energy_j_mol)
    assert account.equivalent_hours == pytest.approx(rate / 3.0)


@pytest.mark.parametrize(("span_ms", "seen"), [(300_000, True), (300_001, False)])
def test_the_longest_span_that_counts_as_seen(span_ms: int, seen: bool) -> None:
    samples = [
        {"time_ms": NOON_MS, "fluid_temp_c": 90.0, "speed_km_h": 60.0},
        {"time_ms": NOON_MS + span_ms, "fluid_temp_c": 90.0, "speed_km_h": 60.0},
    ]
    account = account_of(samples)
    assert (account.seen_hours > 0.0) is seen
    assert (account.unseen_hours > 0.0) is not seen


def test_heat_is_charged_from_reading_to_reading_whatever_comes_between() -> None:
    # The fluid in every fourth sample only, the others carry other signals.
    thin = [
        sample if row % 4 == 0 else {"time_ms": sample["time_ms"], "coolant_temp_c": 88.0}
        for row, sample in enumerate(level(40, 110.0))
    ]
    assert account_of(thin).equivalent_hours == pytest.approx(
        account_of(level(40, 110.0)).equivalent_hours, rel=1e-12
    )


def test_a_dead_sensor_is_unseen_time_though_the_truck_reports() -> None:
    silent = [{"time_ms": one["time_ms"], "gear": 1.0} for one in level(30, 0.0)[1:-1]]
    samples = [level(0, 90.0)[0], *silent, level(30, 90.0)[-1]]
    account = account_of(samples)
    assert account.seen_hours == 0.0
    assert account.unseen_hours == pytest.approx(0.5)


def test_life_used_is_counted_on_from_what_was_used_before() -> None:
    samples = level(60, 100.0)
    fresh = account_of(samples)
    used = account_of(samples, life_used_at_start=0.4)
    assert used.life_used == pytest.approx(0.4 + fresh.life_used, rel=1e-12)
    assert used.equivalent_hours == fresh.equivalent_hours


def test_samples_from_before_the_fill_are_passed_over() -> None:
    samples = level(60, 150.0) + level(60, 80.0, start_ms=NOON_MS + 2 * HOUR_MS)
    account = account_of(samples, installed_ms=NOON_MS + 2 * HOUR_MS)
    alone = account_of(level(60, 80.0, start_ms=NOON_MS + 2 * HOUR_MS))
    assert account.equivalent_hours == alone.equivalent_hours
    assert (account.samples, account.hottest_c) == (61, 80.0)
    assert account.unseen_hours == 0.0


def test_a_fill_is_as_old_as_its_installation() -> None:
    account = account_of(level(5, 80.0), installed_ms=NOON_MS - 10 * HOUR_MS)
    assert account.started_ms == NOON_MS - 10 * HOUR_MS


values = {
    signal.name: st.floats(signal.low, signal.high)
    if signal.kind == "number"
    else st.integers(int(signal.low), int(signal.high)).map(float)
    for signal in SIGNALS
}


@st.composite
def streams(draw: st.DrawFn, longest: int = 40) -> list[dict[str, float]]:
    """Any samples the contract lets through, in order of time, gaps and absences included."""
    now_ms = NOON_MS
    samples = []
    for _ in range(draw(st.integers(1, longest))):
        now_ms += draw(
            st.sampled_from([1, 500, 10_000, 60_000, 299_999, 300_001, HOUR_MS, 90 * HOUR_MS])
        )
        names = draw(st.sets(st.sampled_from(sorted(values)), min_size=1))
        signals = {name: draw(values[name]) for name in sorted(names)}
        samples.append({"time_ms": float(now_ms), **signals})
    return samples


@settings(max_examples=60, deadline=None)
@given(streams(), st.data())
def test_any_cut_of_the_stream_gives_the_same_bits(
    samples: list[dict[str, float]], data: st.DataObject
) -> None:
    params = fill_params()
    table = records(samples)
    whole, cut = blank(STATE), blank(STATE)
    found = advance(params, whole, 0, table)
    pieces = []
    start = 0
    while start < len(table):
        stop = start + data.draw(st.integers(1, len(table)))
        pieces += advance(params, cut, 0, table[start:stop])
        start = stop
    assert cut.tobytes() == whole.tobytes()
    assert b"".join(p.tobytes() for p in pieces) == b"".join(p.tobytes() for p in found)


def parts(state: NDArray[Any]) -> dict[str, float]:
    """Give what only grows on a fill: all but the distance, which the odometer corrects."""
    account = record(state).truck.account
    soak, travelled = account.soak, account.travel
    return {
        "measured": account.heat.equivalent_s + account.heat.equivalent_rest,
        "parked": soak.equivalent_s,
        "parked_s": soak.parked_s,
        "unseen_s": travelled.unseen_s,
        "unseen_km": travelled.unseen_km,
        "fluid_unseen_km": travelled.fluid_unseen_km,
        "fluid_unseen_run_s": travelled.fluid_unseen_run_s,
    }


@settings(max_examples=60, deadline=None)
@given(streams())
def test_the_account_never_runs_backwards_and_stays_finite(
    samples: list[dict[str, float]],
) -> None:
    params = fill_params()
    state = blank(STATE)
    last, before = stated(params, state), parts(state)
    for row in range(len(samples)):
        advance(params, state, 0, records(samples[row : row + 1]))
        now, grown = stated(params, state), parts(state)
        for name in ("equivalent_hours", "seen_hours", "unseen_hours", "unseen_km"):
            assert getattr(now, name) >= getattr(last, name) >= 0.0
            assert math.isfinite(getattr(now, name))
        for name, value in grown.items():
            assert value >= before[name] >= 0.0, name
            assert math.isfinite(value), name
        # What ran unseen is costed by the truck's habits, and these are estimated anew.
        unseen = grown["fluid_unseen_km"] + grown["fluid_unseen_run_s"]
        assert now.life_used >= last.life_used or unseen > 0.0
        assert math.isfinite(now.life_used)
        assert now.distance_km >= -1e-6
        assert now.samples == last.samples + 1
        last, before = now, grown
    span_h = (samples[-1]["time_ms"] - samples[0]["time_ms"]) / HOUR_MS
    gone_h = last.seen_hours + last.unseen_hours + before["parked_s"] / 3600.0
    assert gone_h <= span_h * (1.0 + 1e-9)
    assert before["fluid_unseen_run_s"] <= before["unseen_s"] * (1.0 + 1e-9)


@settings(max_examples=60, deadline=None)
@given(streams(), st.floats(0.0, 30.0))
def test_hotter_fluid_never_costs_less(
    samples: list[dict[str, float]], warmer_k: float
) -> None:
    hotter = [
        {**one, "fluid_temp_c": min(HOTTEST_C, one["fluid_temp_c"] + warmer_k)}
        if "fluid_temp_c" in one
        else one
        for one in samples
    ]
    cool, hot = account_of(samples), account_of(hotter)
    assert hot.equivalent_hours >= cool.equivalent_hours * (1.0 - 1e-12)
    assert hot.seen_hours == cool.seen_hours


@settings(max_examples=60, deadline=None)
@given(streams(), st.data())
def test_a_record_split_at_any_reading_comes_to_the_same_sum(
    samples: list[dict[str, float]], data: st.DataObject
) -> None:
    """The heat measured; what is parked or unseen is estimated from what went before it."""
    rows = [row for row, one in enumerate(samples) if "fluid_temp_c" in one] or [0]
    cut = data.draw(st.sampled_from(rows))
    whole = account_of(samples)
    first, then = account_of(samples[: cut + 1]), account_of(samples[cut:])
    both = first.equivalent_hours + then.equivalent_hours
    assert both == pytest.approx(whole.equivalent_hours, rel=1e-12, abs=1e-300)
    assert first.seen_hours + then.seen_hours == pytest.approx(whole.seen_hours, abs=1e-12)


def test_a_mean_lies_between_the_coldest_and_the_hottest() -> None:
    rng = Random(5)
    samples = [
        {"time_ms": float(NOON_MS + row * MINUTE_MS), "fluid_temp_c": rng.uniform(40.0, 140.0)}
        for row in range(500)
    ]
    account = account_of(samples)
    assert 40.0 < account.mean_kinetic_temp_c < 140.0
    mean = float(np.mean([one["fluid_temp_c"] for one in samples]))
    assert account.mean_kinetic_temp_c > mean


def test_a_million_small_spans_lose_nothing() -> None:
    # 10 Hz for a day: the plain sum of 864 000 terms would be off in the eleventh digit.
    count = 864_001
    table = np.repeat(records([{"time_ms": 0, "fluid_temp_c": REFERENCE_C}]), count)
    table["time_ms"] = NOON_MS + 100 * np.arange(count)
    params = fill_params()
    state = blank(STATE)
    advance(params, state, 0, table)
    assert stated(params, state).equivalent_hours == pytest.approx(24.0, rel=1e-15)


def test_two_trucks_share_nothing() -> None:
    params = np.concatenate([fill_params(), fill_params()])
    states = blank(STATE, 2)
    advance(params, states, 1, records(climb(60)))
    assert states[0].tobytes() == blank(STATE).tobytes()
    assert states[1].tobytes() == run(fill_params(), climb(60))[0].tobytes()
