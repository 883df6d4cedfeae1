"""The 80 % band holds the truth about as often as it says, whatever makes the account unsure."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest

from models.fleet import CHART, Fluid, Vehicle
from models.kernel import STATE, advance
from models.layout import blank
from models.parameters import parameters
from tests.models.fills import main_cause, stated
from tests.models.truth import Duty, truck

TRUCKS = 300
FIRST_SEED = 70_000
"""Other seeds than those that anything was chosen with."""

WELL_KNOWN = replace(CHART, name="well known", life_spread=1.05)
SURE = replace(WELL_KNOWN, activation_energy_sd_j_mol=500.0)


class Case(NamedTuple):
    name: str
    fluid: Fluid
    duty: Duty
    cause: str  # what makes most bands wide


CASES = [
    Case("by the chart", CHART, Duty(), "life"),
    Case("by the chart, some unseen", CHART, Duty(unseen=0.1), "life"),
    Case("life well known", WELL_KNOWN, Duty(hottest_c=120.0), "activation_energy"),
    Case("life and energy well known", SURE, Duty(days=10), "sensor"),
    Case("half unseen", WELL_KNOWN, Duty(unseen=0.5), "unseen"),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_band_holds_the_truth_as_often_as_it_says(case: Case) -> None:
    vehicle = Vehicle(name="NF-01")
    params = parameters(vehicle, case.fluid, max_gap_s=300.0, silent_after_s=900.0)
    held, off, causes = [], [], []
    for number in range(TRUCKS):
        told = truck(FIRST_SEED + number, case.fluid, case.duty)
        state = blank(STATE)
        advance(params, state, 0, told.samples)
        account = stated(params, state)
        held.append(account.life_low <= told.life_used <= account.life_high)
        off.append(np.log(account.life_used / told.life_used))
        causes.append(main_cause(account.causes))
    assert 0.75 <= np.mean(held) <= 0.90
    assert abs(np.median(off)) < 0.25 * np.std(off)
    assert max(set(causes), key=causes.count) == case.cause
