"""What a line that stands can tell: worked by hand, and one truck whose valve sticks."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import pytest

from simulator.physics.truck import Truck
from tests.bench.diagnosis.bound import numbers_of
from tests.bench.diagnosis.draw import TUNING_SEED, trial
from tests.bench.diagnosis.standing import (
    AIM,
    FALSE_ALARMS_PER_DRIVE,
    FLOWED_SD_K,
    OPENS_LATE_K,
    RISE_SD,
    START_SD_K,
    Sump,
    found,
    main,
    standing,
)

OPENS_C = 82.0
FIRST = 30_000


def _truck(sump_c: float, line_c: float) -> Truck:
    one = trial(TUNING_SEED, 0)
    truck = Truck(one.plan.spec, weather=one.weathers[0], start_s=0.0, rng=Random(1))
    truck.thermal.sump_c, truck.thermal.line_c = sump_c, line_c
    return truck


def _started(sump_c: float) -> Sump:
    sump = Sump(OPENS_C, 0.07)
    sump.look(_truck(sump_c, sump_c), runs=True, sound=False)
    return sump


def test_a_cold_line_beside_a_sump_that_must_be_hot_is_beyond_by_hand() -> None:
    # 100 K of rise known to 7 %, and the start to 3 K: 7.6 K; the sump is 35 K above an open valve.
    beyond = _started(20.0).beyond_sd(_truck(120.0, 30.0))
    assert beyond == pytest.approx(
        (120.0 - OPENS_C - OPENS_LATE_K) / math.hypot(START_SD_K, 7.0)
    )


def test_a_line_as_hot_as_the_sump_says_nothing() -> None:
    assert _started(20.0).beyond_sd(_truck(120.0, 120.0)) == 0.0
    assert _started(20.0).beyond_sd(_truck(120.0, 110.0)) < 2.0


def test_a_sump_below_the_opening_clears_and_accuses_nobody() -> None:
    assert _started(20.0).beyond_sd(_truck(60.0, 30.0)) < 0.0


def test_where_the_line_has_shown_the_sump_it_must_have_cooled_to_tell() -> None:
    sump = _started(20.0)
    sump.look(_truck(95.0, 94.0), runs=True, sound=True)
    assert sump.beyond_sd(_truck(115.0, 94.0)) == -math.inf
    assert sump.beyond_sd(_truck(115.0, 50.0)) == pytest.approx(
        (115.0 - OPENS_C - OPENS_LATE_K) / math.hypot(FLOWED_SD_K, 0.07 * 20.0)
    )


def test_a_start_is_known_anew() -> None:
    sump = _started(20.0)
    sump.look(_truck(60.0, 30.0), runs=False, sound=False)
    sump.look(_truck(50.0, 30.0), runs=True, sound=False)
    assert sump.beyond_sd(_truck(120.0, 30.0)) > _started(20.0).beyond_sd(_truck(120.0, 30.0))


def test_the_chance_is_that_of_a_normal_test() -> None:
    # Standard normal table: 3.85 leaves 6 in 100,000.
    assert found(3.846) == pytest.approx(0.5, abs=0.01)
    assert found(3.846 + 1.645) == pytest.approx(0.95, abs=0.005)
    assert found(-math.inf) == 0.0
    assert FALSE_ALARMS_PER_DRIVE < 1e-4


def test_a_stuck_valve_is_found_by_the_heat_put_in_and_no_sooner_in_time_than_ever() -> None:
    number = next(numbers_of(AIM, TUNING_SEED, range(FIRST, FIRST + 100)))
    one = trial(TUNING_SEED, number)
    assert one.label == "bypass stuck"
    assert one.plan.fit.position == "cooler_line"
    told = standing(one)
    assert told is not None
    assert told.truck_class in RISE_SD
    assert 0.0 < told.in_time_sd <= told.ever_sd < 30.0
    sound = replace(one, plan=replace(one.plan, faults=()), label="")
    assert standing(sound) is None


def test_it_says_how_many_can_be_found(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--tuning", "--first", str(FIRST), "--trucks", "100", "--jobs", "1"]) == 0
    assert "stuck valves read in the cooler's line, plain and under load: at most " in (
        capsys.readouterr().out
    )
    assert main(["--tuning", "--first", str(FIRST), "--trucks", "1", "--jobs", "1"]) == 0
    assert capsys.readouterr().out == "no such truck\n"
