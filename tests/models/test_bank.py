"""What holds of the bank of hypotheses, whatever the numbers it is tuned to."""

from __future__ import annotations

import math
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.bank import (
    Bank,
    begin_bank,
    settle_bank,
    step_bank,
)
from models.circuit import STATES
from models.fleet import Circuit, Sensor, Vehicle
from models.hypotheses import COUNT
from models.layout import blank, dtype_of, record
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
            settle_bank(params, bank, fluid_c, bool(random.random() < 0.5))
        line_c = fluid_c - 5.0 if random.random() < 0.3 else math.nan
        heat_sd_kw = random.uniform(0.05, 4.0)
        trusted = bool(random.random() < 0.9)
        step_bank(
            params,
            bank,
            drawn_window(random),
            heat_sd_kw,
            random.uniform(0.0, heat_sd_kw),
            fluid_c,
            line_c,
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
