"""The band about a life used: where it comes from, and that it is always in order."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from models.ageing import relative_rate
from models.fleet import CHART, CHART_ROWS, Fluid, Vehicle
from models.interval import (
    CARRIED_SD,
    HELP,
    SOAK_SD,
    UNSEEN_SD,
    Causes,
    Interval,
    interval,
)
from models.kernel import STATE, advance
from models.layout import blank
from models.parameters import parameters
from models.readings import BAND_SDS
from tests.models.entries import count, entry, parts
from tests.models.fills import fill_params, main_cause, run, steps
from tests.models.test_account import streams
from tests.recorded import NOON_MS, records

HOUR_S = 3600.0
ENERGY_J_MOL = CHART.activation_energy_j_mol
LIFE_S = CHART.reference_life_s
SENSOR_SD_K = 2.0


def band(params: NDArray[Any], state: NDArray[Any]) -> Interval:
    return interval(*parts(params, state))


def ln_rate(celsius: float, energy: float = ENERGY_J_MOL) -> float:
    return math.log(relative_rate(celsius, CHART.reference_temp_c, energy))


def held(celsius: float, hours: float, **account: float) -> tuple[NDArray[Any], NDArray[Any]]:
    """Hold one temperature."""
    params = fill_params(max_gap_s=math.inf, **account)
    return params, run(params, steps([(hours, celsius)]))


@pytest.mark.parametrize("celsius", [60.0, 85.0, 110.0, 140.0])
def test_a_band_worked_by_hand(celsius: float) -> None:
    found = band(*held(celsius, 200.0))
    life = math.log(CHART.life_spread)
    energy = CHART.activation_energy_sd_j_mol / ENERGY_J_MOL * ln_rate(celsius)
    sensor = 0.5 * (ln_rate(celsius + SENSOR_SD_K) - ln_rate(celsius - SENSOR_SD_K))
    total = math.hypot(life, energy, sensor)
    raw = 200.0 * HOUR_S * math.exp(ln_rate(celsius)) / LIFE_S
    for found_at, sds in ((found.low, -BAND_SDS), (found.best, 0.0), (found.high, BAND_SDS)):
        life_used = raw * math.exp(sds * total)
        if life_used > 1.0:
            life_used = 1.0 + CHART.oxidation_factor * (life_used - 1.0)
        assert found_at == pytest.approx(life_used, rel=1e-4)
    assert found.causes.life == pytest.approx((life / total) ** 2, rel=1e-3)
    assert found.causes.activation_energy == pytest.approx((energy / total) ** 2, rel=1e-2)
    assert found.causes.sensor == pytest.approx((sensor / total) ** 2, rel=1e-2)


def test_the_energy_says_nothing_at_the_reference_temperature() -> None:
    # Life is known there, whatever the slope.
    found = band(*held(CHART.reference_temp_c, 100.0))
    assert found.causes.activation_energy == pytest.approx(0.0, abs=1e-9)


def test_a_truck_never_heard_has_used_nothing() -> None:
    found = band(fill_params(), blank(STATE))
    assert found == Interval(low=0.0, best=0.0, high=0.0, causes=Causes())
    assert main_cause(found.causes) is None


def brought(params: NDArray[Any], life: float) -> NDArray[Any]:
    """Give the state of a truck whose fluid had used a life [-] when it went in."""
    state = blank(STATE)
    count(params, state, entry("install", -1, life_used=life))
    return state


@pytest.mark.parametrize("heard", [False, True])
def test_what_the_fluid_brought_along_is_in_doubt_too(heard: bool) -> None:
    params = fill_params()
    state = brought(params, 0.4)
    if heard:
        advance(params, state, 0, records([{"time_ms": NOON_MS, "fluid_temp_c": 90.0}]))
    found = band(params, state)
    assert found.best == 0.4
    assert found.low == pytest.approx(0.4 * math.exp(-BAND_SDS * CARRIED_SD))
    assert found.high == pytest.approx(0.4 * math.exp(BAND_SDS * CARRIED_SD))
    assert main_cause(found.causes) == "brought_along"


def test_beyond_its_life_the_band_runs_faster_on_the_upper_side() -> None:
    params = fill_params(oxidation_factor=4.0)
    found = band(params, brought(params, 1.0))
    assert found.high == pytest.approx(1.0 + 4.0 * (math.exp(BAND_SDS * CARRIED_SD) - 1.0))
    assert found.low == pytest.approx(math.exp(-BAND_SDS * CARRIED_SD))


def test_the_estimates_are_in_doubt_by_their_shares() -> None:
    params, state = held(90.0, 100.0)
    own, account = parts(params, state)
    measured = float(account.heat.equivalent_s)
    account.soak.equivalent_s = 0.5 * measured
    account.soak.bins_s[:] = 0.5 * account.heat.bins_s
    account.habits.seen_equivalent_s = 0.0
    account.travel.fluid_unseen_run_s = 50.0 * HOUR_S
    found = interval(own, account)
    unseen = 50.0 * HOUR_S * float(own.habits.equivalent_s_per_run_s)
    shares = {
        "life": (measured * 1.5 + unseen) * math.log(CHART.life_spread),
        "soak": 0.5 * measured * SOAK_SD,
        "unseen": unseen * UNSEEN_SD,
    }
    for name, amount in shares.items():
        ratio = getattr(found.causes, name) / found.causes.life
        assert ratio == pytest.approx((amount / shares["life"]) ** 2, rel=2e-2)
    assert sum(asdict(found.causes).values()) == pytest.approx(1.0)


def test_more_unseen_makes_the_band_wider() -> None:
    params, state = held(90.0, 100.0)
    own, account = parts(params, state)
    widths = []
    for hours in (0.0, 50.0, 500.0):
        account.travel.fluid_unseen_run_s = hours * HOUR_S
        found = interval(own, account)
        widths.append(math.log(found.high / found.low))
    assert widths[0] < widths[1] < widths[2]


def test_a_fluid_of_which_nothing_was_read_still_has_a_band() -> None:
    params = fill_params()
    own, account = parts(params, run(params, [{"time_ms": NOON_MS, "gear": 1.0}]))
    account.travel.fluid_unseen_km = 20_000.0
    account.life_used = 0.2
    found = interval(own, account)
    assert 0.0 < found.low < found.best < found.high
    assert main_cause(found.causes) in ("life", "unseen")
    assert found.causes.sensor > 0.0


def test_a_laboratory_sample_makes_the_band_narrower() -> None:
    params, state = held(100.0, 300.0)
    before = band(params, state)
    left = 0.25**before.best
    count(params, state, entry("sample", NOON_MS, antioxidant=left, antioxidant_sd=0.02))
    after = band(params, state)
    assert after.high / after.low < 0.7 * before.high / before.low
    assert after.causes.life < before.causes.life


def test_cold_nights_move_the_band_and_make_it_narrower() -> None:
    params, state = held(95.0, 100.0)
    own, account = parts(params, state)
    before = interval(own, account)
    account.offset.nights = 40
    account.offset.weight = 40.0
    account.offset.sum_k = 40.0 * 4.0  # the fluid's sensor reads 4 K too high
    after = interval(own, account)
    middle = math.sqrt(after.low * after.high)
    assert middle < 0.85 * math.sqrt(before.low * before.high)
    assert math.log(after.high / after.low) < math.log(before.high / before.low)
    assert after.low <= after.best == before.best <= after.high


def test_the_band_is_widened_to_hold_what_the_sensor_told() -> None:
    params, state = held(95.0, 100.0, ln_life_sd=0.01, exponent_sd=0.0)
    own, account = parts(params, state)
    account.offset.nights = 1000
    account.offset.weight = 1000.0
    account.offset.sum_k = 1000.0 * 12.0
    found = interval(own, account)
    assert found.high == found.best
    assert found.low < 0.6 * found.best


@pytest.mark.parametrize("cause", list(asdict(Causes())))
def test_every_cause_can_be_the_main_one_and_says_what_would_help(cause: str) -> None:
    assert (
        main_cause(Causes(**{cause: 0.6, **({} if cause == "life" else {"life": 0.4})}))
        == cause
    )
    assert len(HELP[cause].split(":")) == 2


def any_fluid() -> st.SearchStrategy[Fluid]:
    return st.builds(
        Fluid,
        name=st.just("any"),
        activation_energy_j_mol=st.floats(10e3, 300e3),
        activation_energy_sd_j_mol=st.floats(0.0, 50e3),
        reference_temp_c=st.floats(20.0, 200.0),
        reference_life_s=st.floats(1.0, 1e10),
        film_temp_c=st.just(124.0),
        life_spread=st.floats(1.01, 30.0),
        oxidation_factor=st.floats(1.0, 100.0),
        antioxidant_at_end=st.floats(0.01, 0.99),
    )


@settings(max_examples=60, deadline=None)
@given(
    streams(), st.one_of(st.sampled_from([CHART, CHART_ROWS]), any_fluid()), st.floats(0.0, 3.0)
)
def test_low_best_and_high_are_in_order_and_finite_for_any_stream(
    samples: list[dict[str, float]], fluid: Fluid, start: float
) -> None:
    params = parameters(Vehicle(name="NF-01"), fluid, max_gap_s=300.0, silent_after_s=900.0)
    state = brought(params, start)
    for row in range(len(samples)):
        advance(params, state, 0, records(samples[row : row + 1]))
        found = band(params, state)
        assert 0.0 <= found.low <= found.best <= found.high
        assert math.isfinite(found.high)
        shares = np.array(list(asdict(found.causes).values()))
        assert ((shares >= 0.0) & (shares <= 1.0)).all()
        assert shares.sum() == pytest.approx(1.0) or (shares == 0.0).all()
