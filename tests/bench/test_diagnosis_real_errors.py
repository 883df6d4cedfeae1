"""The bound with real errors: on errors that are drawn as stated, and on one truck and its sound twin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from simulator.faults import Fault
from tests.bench.diagnosis.detectability import chance, covariance, learned
from tests.bench.diagnosis.draw import BY_LABEL, TUNING_SEED, Trial, trial
from tests.bench.diagnosis.measure import Task
from tests.bench.diagnosis.model_error import Drives, drives_of, errors_k
from tests.bench.diagnosis.real_errors import (
    AIM,
    FEWEST,
    FILTERS,
    FINE,
    ROWS,
    USUAL_SIZE,
    Errors,
    Filtered,
    Spread,
    Truck,
    by_largest,
    by_normal,
    by_size,
    by_stated,
    by_student,
    errors_of,
    foretold_c,
    looked_at,
    made_to_starve,
    size_before,
    size_of,
    sound,
    spread,
    table,
    together,
    told,
)
from tests.bench.diagnosis.twins import BIN_S, Twins
from tests.bench.diagnosis.windows import driven

Floats = NDArray[np.float64]

COUNT = 120
DRAWN = 1_500


@pytest.fixture(scope="module")
def twins() -> Twins:
    """Two hours of a fault that grows to 6 K, and a value of the truck that adds to all readings."""
    grown = np.linspace(-1.0, 1.0, COUNT)
    return Twins(
        time_s=BIN_S * np.arange(0.5, COUNT, dtype=np.float64),
        channel=np.zeros(COUNT, dtype=np.int64),
        noise=np.full(COUNT, 0.2),
        fault=6.0 * np.maximum(0.0, grown),
        mimic=np.ones((COUNT, 1)),
        sump_c=np.full(COUNT, 80.0),
        converter_kw=np.zeros(COUNT),
        driven_h=3.0,
    )


def _drawn(unknown: Floats, seed: int) -> Floats:
    """Errors of many sound trucks, shape (``DRAWN``, n), of a covariance."""
    root = np.linalg.cholesky(unknown)
    normal = np.random.default_rng(seed).normal(size=(DRAWN, len(unknown)))
    drawn: Floats = normal @ root.T
    return drawn


def _rms(z: list[float]) -> float:
    return float(np.sqrt(np.mean(np.square(z))))


def test_errors_as_stated_have_a_spread_of_one_and_the_chance_of_the_bound(
    twins: Twins,
) -> None:
    sd_k = np.linspace(1.0, 2.0, COUNT)
    every = [by_stated(twins, off_k, sd_k) for off_k in _drawn(covariance(twins, sd_k), 1)]
    of = spread(np.array([one.z for one in every]))
    assert of.rms == pytest.approx(1.0, abs=0.06)  # three standard errors
    separation = every[0].separation
    assert separation == pytest.approx(learned(twins, model_sd_k=sd_k))
    as_one = replace(of, rms=1.0)
    assert by_normal(every[0], 1e-3, as_one) == pytest.approx(chance(separation, 1e-3))
    # What is found of those that have the fault: their own sums, shifted by the separation.
    found = np.mean([separation + one.z > 2.0 for one in every])
    assert found == pytest.approx(chance(separation, 0.02275), abs=0.04)


def test_errors_three_times_as_large_as_stated_have_three_times_the_spread(
    twins: Twins,
) -> None:
    sd_k = np.full(COUNT, 1.5)
    drawn = _drawn(covariance(twins, sd_k), 2)
    as_stated = _rms([by_stated(twins, off_k, sd_k).z for off_k in drawn])
    larger = [by_stated(twins, 3.0 * off_k, sd_k) for off_k in drawn]
    assert _rms([one.z for one in larger]) == pytest.approx(3.0 * as_stated)
    of = spread(np.array([one.z for one in larger]))
    assert by_normal(larger[0], 1e-3, of) < chance(larger[0].separation, 1e-3)


@pytest.mark.parametrize("size", [0.5, 3.0])
def test_by_the_size_that_a_truck_s_errors_have_the_spread_is_one(
    twins: Twins, size: float
) -> None:
    sd_k = np.full(COUNT, 1.5)
    drawn = _drawn(covariance(twins, size * sd_k) + np.diag((FINE * size * sd_k) ** 2), 3)
    every = [by_size(twins, off_k, sd_k, size) for off_k in drawn]
    assert _rms([one.z for one in every]) == pytest.approx(1.0, abs=0.06)
    assert by_size(twins, drawn[0], sd_k, 2.0 * size).separation < every[0].separation


def test_the_size_of_a_truck_s_errors_is_beside_those_stated() -> None:
    off_k, sd_k = np.array([6.0, -2.0]), np.array([3.0, 1.0])
    assert size_of(off_k, sd_k) == pytest.approx(2.0, abs=0.02)
    assert size_before(off_k[:0], sd_k[:0]) == USUAL_SIZE  # nothing has shown
    assert USUAL_SIZE < size_before(off_k, sd_k) < 1.0
    assert size_before(np.tile(off_k, 900), np.tile(sd_k, 900)) == pytest.approx(2.0, abs=0.05)


def test_a_student_t_that_is_normal_finds_as_a_normal_does_and_heavy_tails_less() -> None:
    one = Filtered(separation=9.0, z=0.0)
    normal = Spread(rms=2.0, freedom=1e7, scale=2.0, largest=5.0)
    assert by_student(one, 1e-4, normal) == pytest.approx(by_normal(one, 1e-4, normal))
    assert by_student(one, 1e-4, replace(normal, freedom=3.0)) < 0.1
    assert by_largest(one, normal)
    assert not by_largest(replace(one, z=-4.5), normal)


def test_the_spread_tells_heavy_tails() -> None:
    random = np.random.default_rng(4)
    of = spread(2.0 * random.standard_t(3.0, size=4_000))
    assert of.freedom == pytest.approx(3.0, rel=0.2)
    assert of.scale == pytest.approx(2.0, rel=0.1)
    assert spread(random.normal(size=4_000)).freedom > 20.0


def _with_fault() -> Trial:
    """A truck that starves within its first drive, and whose outside air goes missing as well."""
    made = filter(None, (made_to_starve(TUNING_SEED, number) for number in range(40)))
    one = next(one for one in made if one.plan.registration.circuit == "full_flow")
    fault = Fault(kind="cooler_starved", since_s=one.drives[0].start_s + 1_800.0, size=0.9)
    missing = Fault(kind="ambient_missing", since_s=float(one.drives[1].start_s))
    drives = tuple(replace(drive, load_share=1.0) for drive in one.drives[:2])
    return replace(one, plan=replace(one.plan, faults=(fault, missing)), drives=drives, days=1)


def test_the_sound_twin_has_no_fault_and_the_same_drives() -> None:
    one = _with_fault()
    twin = sound(one)
    assert twin.fault is None
    assert twin.plan.faults == one.plan.faults[1:]  # what is merely missing stays missing
    assert replace(twin, label=one.label, plan=one.plan) == one
    assert twin.plan.spec == one.plan.spec
    assert sound(twin) == twin


def test_a_truck_made_to_starve_is_the_sound_one_with_a_fault_that_its_circuit_can_have() -> (
    None
):
    kind = BY_LABEL[AIM.label]
    made = [made_to_starve(TUNING_SEED, number) for number in range(60)]
    assert None in made
    for one in filter(None, made):
        assert sound(one) == trial(TUNING_SEED, one.number, healthy_share=1.0)
        assert one.plan.registration.circuit != "coolant_exchanger"
        assert one.fault is not None
        assert kind.low <= one.fault.full_size <= kind.high


def test_readings_and_errors_of_the_same_minutes_come_together(twins: Twins) -> None:
    channel = twins.channel.copy()
    channel[1] = -1  # the engine's speed
    channel[2] = 1  # a line of the cooler
    errors = Errors(minute=np.array([1, 3, 5, 7_000]), off_k=np.array([0.1, 0.3, 0.5, 0.7]))
    kept, off_k = together(replace(twins, channel=channel), errors)
    assert list(kept.time_s // BIN_S) == [3, 5]
    assert list(off_k) == [0.3, 0.5]


@pytest.fixture(scope="module")
def drives() -> Drives:
    one = driven(Task(seed=TUNING_SEED, number=3100, healthy_share=1.0))
    return drives_of(one.registration, one.given)


def test_what_is_foretold_is_the_reading_less_its_error_and_nothing_between_drives(
    drives: Drives,
) -> None:
    ends_s = drives.time_s[~drives.begins]
    assert foretold_c(drives, ends_s) == pytest.approx(
        (drives.fluid_c - errors_k(drives))[~drives.begins]
    )
    night_s = drives.time_s[drives.begins][1:] - 60.0
    assert np.all(np.isnan(foretold_c(drives, night_s)))


def test_one_truck_and_its_sound_twin_go_through_all_filters() -> None:
    one = _with_fault()
    errors = errors_of(sound(one))
    assert np.all(np.diff(errors.minute) > 0)
    assert 0.1 < np.sqrt(np.mean(errors.off_k**2)) < 8.0
    span = looked_at(one)
    assert span is not None
    for one_of in (span.stated, span.own, span.before):
        assert np.isfinite(one_of.z)
        assert one_of.separation > 0.0
    assert looked_at(sound(one)) is None  # there is nothing to find


def _span(z: float, *, regulates: bool) -> Truck:
    one = Filtered(separation=6.0, z=z)
    return Truck(
        truck_class="pickup",
        position="sump",
        regulates=regulates,
        lines=False,
        allowed=1e-4,
        driven_h=3.0,
        size=0.5,
        stated=one,
        own=one,
        before=one,
    )


def test_the_table_has_a_line_for_each_filter_and_condition_that_there_are_trucks_of() -> None:
    z = np.random.default_rng(6).normal(size=4 * FEWEST)
    spans = [_span(float(one), regulates=bool(place % 2)) for place, one in enumerate(z)]
    text = table(spans[:4], spans)
    empty = {"medium", "heavy", "read elsewhere"}
    assert len(text.splitlines()) == 2 + len(FILTERS) * len(ROWS.keys() - empty)
    assert f"| all | 4 | stated | {len(spans)} | {_rms(list(z)):.2f} | 6.0 | 99% | " in text
    assert f"z of {len(spans)} sound trucks has a spread of {_rms(list(z)):.2f}" in told(spans)
    assert f"({3 * len(spans)} h)" in told(spans)
    assert len(table(spans[:4], spans[: FEWEST - 1]).splitlines()) == 2  # too few to say
