"""What holds of the bank of hypotheses, whatever the numbers it is tuned to."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from models.bank import (
    LARGEST_STEP,
    TEMPER,
    Bank,
    begin_bank,
    lose_sight,
    settle_bank,
    step_bank,
)
from models.beginnings import BACK_PER_H, GROWS_PER_H
from models.circuit import FLUID, SPAN_S, STATES
from models.compiled import compiled
from models.fleet import Circuit, Sensor, Vehicle
from models.hypotheses import AIR, COUNT, FLOW, HEALTHY, LOW, SHUT
from models.hypothesis_filter import predict
from models.layout import blank, dtype_of, record
from models.priors import READING_SD_K
from models.sequential import odds_threshold
from models.thermal_parameters import BEGINS_PER_H, sure_from
from tests.models.banks import Floats, driving, params_of

unhurried = settings(max_examples=40, deadline=None)  # the first call compiles

seeds = st.integers(0, 2**32 - 1)

TRUCKS = [
    Vehicle(
        name="NF-01",
        circuit=circuit,
        sensor=sensor,
        coolant_valve=circuit == "coolant_exchanger",
        air_cooler=circuit == "radiator_tank",
    )
    for circuit in get_args(Circuit)
    for sensor in get_args(Sensor)
]
BYPASS = Vehicle(name="NF-01", circuit="thermostatic_bypass")


def begun(vehicle: Vehicle, fluid_c: float = 60.0) -> tuple[Any, Any]:
    params, bank = params_of(vehicle).bank, record(blank(dtype_of(Bank)))
    begin_bank(params, bank, fluid_c)
    return params, bank


def drawn_window(random: np.random.Generator) -> Floats:
    return driving(
        span_s=random.choice([28.0, 30.0, 60.0, 290.0]),
        heat_kw=random.uniform(0.0, 40.0),
        air_c=random.uniform(-30.0, 45.0),
        coolant_c=random.uniform(-30.0, 110.0),
        km_h=random.uniform(0.0, 110.0),
        rpm=random.choice([0.0, 700.0, 1700.0, 2900.0]),
    )


def drive(params: Any, bank: Any, seed: int, windows: int) -> None:
    """Let the bank live through windows of any kind, in any order, with gaps and wild readings."""
    random = np.random.default_rng(seed)
    fluid_c = random.uniform(-30.0, 130.0)
    for _ in range(windows):
        fluid_c = min(
            170.0, max(-40.0, fluid_c + random.normal(scale=random.choice([0.3, 9.0])))
        )
        if random.random() < 0.03:
            guessed = bool(random.random() < 0.5)
            anew = guessed and bool(random.random() < 0.5)
            settle_bank(params, bank, fluid_c, guessed, anew, random.uniform(0.0, 1e5))
        if random.random() < 0.3:
            lose_sight(bank, random.uniform(0.0, 2.0))
        line_c = fluid_c - 5.0 if random.random() < 0.3 else math.nan
        back_c = math.nan
        if not math.isnan(line_c) and random.random() < 0.5:
            back_c = line_c - random.uniform(-5.0, 80.0)
        heat_sd_kw = random.uniform(0.05, 4.0)
        trusted = bool(random.random() < 0.9)
        step_bank(
            params,
            bank,
            drawn_window(random),
            heat_sd_kw,
            random.uniform(0.0, heat_sd_kw),
            random.uniform(0.3, 2.0),
            fluid_c,
            line_c,
            back_c,
            trusted,
        )


@pytest.mark.parametrize("vehicle", TRUCKS, ids=lambda one: f"{one.circuit}-{one.sensor}")
@settings(max_examples=4, deadline=None)
@given(seed=seeds)
def test_whatever_comes_probabilities_and_covariances_stay_what_they_are(
    vehicle: Vehicle, seed: int
) -> None:
    params, bank = begun(vehicle)
    drive(params, bank, seed, 400)
    assert bank.p.sum() == pytest.approx(1.0)
    assert (bank.p >= 0.0).all()
    assert np.isfinite(bank.x).all()
    for cov in bank.cov.reshape(COUNT, STATES, STATES):
        sizes = np.sqrt(cov.diagonal())
        sizes[sizes == 0.0] = 1.0
        related = cov / np.outer(sizes, sizes)
        assert related == pytest.approx(related.T, abs=1e-9)
        assert np.linalg.eigvalsh(related).min() >= -1e-9


def possible(params: Any) -> list[int]:
    return [HEALTHY, *np.flatnonzero(params.begins_per_h)]


@pytest.mark.parametrize("vehicle", TRUCKS, ids=lambda one: f"{one.circuit}-{one.sensor}")
def test_what_a_circuit_cannot_have_is_never_suspected(vehicle: Vehicle) -> None:
    params, bank = begun(vehicle)
    drive(params, bank, 4, 300)
    can = possible(params)
    assert (bank.p[can] > 0.0).all()
    assert bank.p[can].sum() == pytest.approx(1.0)


@unhurried
@given(seed=seeds, before=st.integers(0, 60))
def test_a_window_moves_the_odds_by_bayes_rule(seed: int, before: int) -> None:
    params, bank = begun(BYPASS)
    drive(params, bank, seed, before)
    prior, duty = bank.p.copy(), driving()
    hours = duty[SPAN_S] / 3600.0
    # Suspicions fade, then faults may begin, each at its rate out of what is still healthy, then grow.
    fade = BACK_PER_H * hours
    prior[HEALTHY] += fade * (1.0 - prior[HEALTHY])
    prior[1:] *= 1.0 - fade
    for place in possible(params)[1:]:
        begins = prior[HEALTHY] * params.begins_per_h[place] * hours
        prior[place] += begins
        prior[HEALTHY] -= begins
    for place in (LOW, AIR, FLOW):  # what a bypass valve may have begun as
        grows = GROWS_PER_H * hours * prior[place]
        prior[SHUT] += grows
        prior[place] -= grows
    step_bank(params, bank, duty, 0.5, 0.3, 1.0, 95.0, math.nan, math.nan, True)
    can = possible(params)
    told = TEMPER * bank.log_likelihood[can]
    joint = prior[can] * np.exp(np.maximum(told - told.max(), -LARGEST_STEP))
    assert bank.p[can] == pytest.approx(joint / joint.sum(), rel=1e-9, abs=1e-15)


def test_odds_stay_while_the_sensor_is_in_doubt() -> None:
    params, bank = begun(BYPASS)
    drive(params, bank, 8, 50)
    before = bank.p.copy()
    step_bank(
        params, bank, driving(span_s=30.0), 0.5, 0.3, 1.0, 160.0, math.nan, math.nan, False
    )
    # All that moves is what may begin or fade within half a minute.
    assert bank.p == pytest.approx(before, abs=1e-3)


@pytest.mark.parametrize("sensor", ["cooler_line", "converter_out"])
def test_with_the_pump_at_rest_only_the_sump_tells(sensor: Sensor) -> None:
    moved = {}
    for place in ("sump", sensor):
        params, bank = begun(replace(BYPASS, sensor=place))
        drive(params, bank, 8, 50)
        before = bank.log_likelihood.copy()
        parked = driving(span_s=30.0, heat_kw=0.0, km_h=0.0, rpm=0.0)
        step_bank(params, bank, parked, 0.1, 0.1, 1.0, 20.0, math.nan, math.nan, True)
        moved[place] = float(np.abs(bank.log_likelihood - before).max())
    assert moved[sensor] == 0.0 < 1.0 < moved["sump"]


@unhurried
@given(rate=st.floats(1e-9, 1e-2), factor=st.floats(1.0, 100.0))
def test_rarer_false_alarms_ask_for_as_much_higher_odds(rate: float, factor: float) -> None:
    def odds(allowed: float) -> float:
        return sure_from(allowed) / (1.0 - sure_from(allowed))

    assert odds(rate / factor) == pytest.approx(factor * odds(rate), rel=1e-4)
    # Never less sure than the theory of sequential tests asks for.
    hazard = sum(BEGINS_PER_H.values()) / 3600.0
    assert odds(rate) >= math.exp(odds_threshold(rate, 1.0, hazard)) * (1.0 - 1e-4)


@compiled
def _alarms(
    params: Any, bank: Any, truth: int, duty: Floats, sure: float, windows: int, random: Any
) -> int:
    """Count alarms of a truck that is as one filter believes; after each the bank begins anew."""
    alarms, begin = 0, True
    valve, heat_sd_kw = np.empty(2), 0.5
    for _ in range(windows):
        if begin:
            begin_bank(params, bank, 95.0)
            bank.p[:] = 0.0
            bank.p[HEALTHY] = 1.0
            begin = False
        x = bank.x.reshape((COUNT, STATES))[truth].copy()
        cov = bank.cov.reshape((COUNT, STATES, STATES))[truth].copy()
        valve[:] = bank.valve[2 * truth : 2 * truth + 2]
        predict(params.circuit, truth, False, duty, heat_sd_kw, heat_sd_kw, 1.0, x, cov, valve)
        sd_k = math.sqrt(cov[FLUID, FLUID] + READING_SD_K**2)
        fluid_c = x[FLUID] + sd_k * random.standard_normal()
        step_bank(
            params, bank, duty, heat_sd_kw, heat_sd_kw, 1.0, fluid_c, math.nan, math.nan, True
        )
        if 1.0 - bank.p[HEALTHY] >= sure:
            alarms += 1
            begin = True
    return alarms


each_circuit = pytest.mark.parametrize("circuit", ["thermostatic_bypass", "full_flow"])
HOT_PULL = driving(heat_kw=11.0, air_c=30.0)


@each_circuit
@pytest.mark.parametrize("rate_per_h", [0.2, 0.05])
def test_of_trucks_that_are_as_believed_false_alarms_come_no_oftener_than_set(
    circuit: Circuit, rate_per_h: float
) -> None:
    # Without the margin for what the models get wrong: here they get nothing wrong.
    params, bank = begun(Vehicle(name="NF-01", circuit=circuit))
    windows, sure = 60_000, sure_from(rate_per_h, 1.0)
    random = np.random.default_rng([windows, round(1000 * rate_per_h)])
    alarms = _alarms(params, bank, HEALTHY, HOT_PULL, sure, windows, random)
    hours = windows * HOT_PULL[SPAN_S] / 3600.0
    assert alarms <= poisson.ppf(0.9999, rate_per_h * hours)


@each_circuit
def test_and_not_because_it_is_deaf(circuit: Circuit) -> None:
    # The same pull without flow through the cooler, at the rate and with the margin that trucks have.
    vehicle = Vehicle(name="NF-01", circuit=circuit)
    params, bank = begun(vehicle)
    random = np.random.default_rng(6)
    assert _alarms(params, bank, FLOW, HOT_PULL, sure_from(1e-5), 240, random) > 0
