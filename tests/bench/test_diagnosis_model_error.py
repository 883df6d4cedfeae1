"""What two nodes get wrong through whole drives, on a truck whose physics are known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from models.circuit import FLUID, LN_COOLER, LN_HEAT, LN_RISE, METAL, SITE, STATES, run
from models.hypotheses import HEALTHY
from models.setting_out import warm_up
from tests.bench.diagnosis.draw import TUNING_SEED
from tests.bench.diagnosis.measure import Task
from tests.bench.diagnosis.model_error import (
    STEP_S,
    Drives,
    by_drive,
    correlation,
    drives_of,
    errors_k,
    main,
)
from tests.bench.diagnosis.windows import Driven, driven, keep

SOUND = Task(seed=TUNING_SEED, number=3100, healthy_share=1.0)


@pytest.fixture(scope="module")
def noted() -> Driven:
    return driven(SOUND)


@pytest.fixture(scope="module")
def drives(noted: Driven) -> Drives:
    return drives_of(noted.registration, noted.given)


def test_a_sound_truck_is_foretold_to_some_kelvin_through_whole_drives(drives: Drives) -> None:
    off_k = np.concatenate(list(by_drive(drives, errors_k(drives))))
    assert len(off_k) * STEP_S >= 4 * 3600  # four days of two drives
    # It is off by more than its sensor (0.15 or 0.3 K), and still knows the fluid.
    assert 0.3 < np.sqrt(np.mean(off_k**2)) < 4.0


def test_a_truck_that_is_two_nodes_is_fitted_to_the_last_tenth_of_a_kelvin(
    drives: Drives,
) -> None:
    x, valve = np.zeros(STATES), np.zeros(2)
    fluid_c = drives.fluid_c.copy()
    for place, begins in enumerate(drives.begins):
        if begins:
            x[:] = 0.0
            x[LN_HEAT], x[LN_COOLER] = 0.2, -0.15
            x[FLUID] = x[METAL] = x[SITE] = valve[0] = fluid_c[place]
            valve[1] = 0.0
        else:
            run(drives.circuit, int(HEALTHY), drives.duty[place], x, valve)
        fluid_c[place] = x[FLUID]
    made = replace(drives, fluid_c=fluid_c)
    assert float(np.sqrt(np.mean(errors_k(made) ** 2))) < 0.1


def test_beyond_the_converter_the_rise_is_fitted_and_the_sump_stays_hot_over_a_pause(
    noted: Driven,
) -> None:
    there = drives_of(replace(noted.registration, sensor="converter_out"), noted.given)
    x, valve, cov = np.zeros(STATES), np.zeros(2), np.zeros((STATES, STATES))
    x[LN_RISE] = 0.3
    fluid_c = there.fluid_c.copy()
    for place, begins in enumerate(there.begins):
        if begins:
            gap_s = np.inf if place == 0 else there.time_s[place] - there.time_s[place - 1]
            fluid_c[place] = min(fluid_c[place], 30.0)  # colder than the sump
            warm_up(there.circuit, fluid_c[place], gap_s, x, cov)
            valve[0], valve[1] = x[FLUID], 0.0
        else:
            run(there.circuit, int(HEALTHY), there.duty[place], x, valve)
        fluid_c[place] = x[SITE]
    made = replace(there, fluid_c=fluid_c)
    assert float(np.sqrt(np.mean(errors_k(made) ** 2))) < 0.1


def test_errors_that_last_are_told_from_those_that_do_not() -> None:
    random = np.random.default_rng(5)
    kept = np.exp(-STEP_S / 1200.0)
    lasting = []
    for _ in range(200):
        one = np.empty(120)
        one[0] = random.normal()
        for place in range(1, len(one)):
            one[place] = kept * one[place - 1] + random.normal() * np.sqrt(1.0 - kept**2)
        lasting.append(one)
    assert correlation(lasting, 600) == pytest.approx(np.exp(-0.5), abs=0.08)
    white = [random.normal(size=120) for _ in range(200)]
    assert correlation(white, 600) == pytest.approx(0.0, abs=0.03)


def test_the_trucks_of_a_folder_are_told_by_class(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    keep(tmp_path, SOUND)
    assert main([str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert said.startswith("pickup: 1 trucks, ")
    assert "after 10, 15, 30 minutes correlated by " in said
