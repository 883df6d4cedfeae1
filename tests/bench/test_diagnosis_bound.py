"""The information bound: its algebra on cases worked by hand, and one truck beside its twins."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from models.balance_error import IN_LINE
from models.thermal_parameters import ERROR_SD_K
from simulator.faults import Fault
from simulator.plan import Registration
from tests.bench.diagnosis.bound import (
    AIMS,
    Bound,
    before_spent,
    bound,
    nth_drive_end,
    numbers_of,
    own_sd_k,
    plain_to_the_end,
    soon_after_plain,
    table,
    third_drive,
)
from tests.bench.diagnosis.detectability import (
    MODEL_S,
    RPM_MODEL_SD,
    chance,
    known,
    learned,
    of_temperatures,
)
from tests.bench.diagnosis.draw import TUNING_SEED, Trial, trial
from tests.bench.diagnosis.duties import Drive
from tests.bench.diagnosis.twins import (
    BIN_S,
    RATIO_SD,
    UNKNOWN,
    Seen,
    Twins,
    drive_twins,
    seen_until_s,
)

FAR_S = 1e4 * MODEL_S
"""Readings so far apart share no error of the model."""


def _twins(fault: list[float], *mimics: list[float], noise: float = 0.5) -> Twins:
    count = len(fault)
    unknown = np.array(mimics, dtype=np.float64).reshape(-1, count).T
    return Twins(
        time_s=np.array([FAR_S * place for place in range(count)]),
        channel=np.zeros(count, dtype=np.int64),
        noise=np.full(count, noise),
        fault=np.array(fault),
        mimic=unknown,
        sump_c=np.full(count, 80.0),
        converter_kw=np.zeros(count),
        driven_h=3.0,
    )


def test_who_knows_the_truck_has_the_matched_filter() -> None:
    assert known(_twins([3.0, 4.0])) == pytest.approx(10.0)  # 5 K over 0.5 K


def test_the_model_errs_beside_the_sensor() -> None:
    twins = _twins([3.0, 4.0])
    assert learned(twins, model_sd_k=0.0) == pytest.approx(10.0)
    assert learned(twins, model_sd_k=1.2) == pytest.approx(
        5.0 / 1.3
    )  # 0.5 and 1.2 K make 1.3 K


def test_an_error_that_lasts_is_learned_from_what_was_before() -> None:
    apart = _twins([0.0, 3.0])
    at_once = replace(apart, time_s=np.array([0.0, 60.0]))
    # AR(1), worked by hand: of the later reading sd² (1 - r²) is left, with hardly any noise.
    r = math.exp(-60.0 / MODEL_S)
    quiet = replace(at_once, noise=np.full(2, 1e-4))
    assert learned(quiet, model_sd_k=2.0) == pytest.approx(1.5 / math.sqrt(1 - r * r), rel=1e-4)
    assert learned(at_once, model_sd_k=2.0) > learned(apart, model_sd_k=2.0)


def test_what_the_truck_itself_can_mimic_is_taken_out() -> None:
    alike = _twins([3.0, 4.0], [3e4, 4e4])
    other = _twins([3.0, 4.0], [4e4, -3e4])
    assert learned(alike, model_sd_k=0.0) == pytest.approx(1e-4, rel=1e-3)
    assert learned(other, model_sd_k=0.0) == pytest.approx(10.0)


def test_readings_before_the_fault_teach_the_truck() -> None:
    # A value that mimics the fault and showed itself in as many readings before it: the difference of the
    # two halves is left, with twice the variance.
    late = [0.0] * 50 + [1.0] * 50
    taught = _twins(late, [1e3] * 100)
    assert learned(taught, model_sd_k=0.0) == pytest.approx(
        known(taught) / math.sqrt(2.0), rel=1e-4
    )


@pytest.mark.parametrize("seed", range(5))
def test_it_is_least_squares_with_the_unknown_values_estimated_beside(seed: int) -> None:
    # The same by another road: the variance of the fault's size in a joint least-squares fit.
    rng = np.random.default_rng(seed)
    twins = _twins(*rng.normal(0.0, 3.0, (4, 30)).tolist())
    design = np.column_stack([twins.fault, twins.mimic])
    normal = design.T @ design / (0.5**2 + 1.5**2) + np.diag([0.0, 1.0, 1.0, 1.0])
    sized = 1.0 / math.sqrt(np.linalg.inv(normal)[0, 0])
    assert learned(twins, model_sd_k=1.5) == pytest.approx(sized)


def test_the_engine_s_speed_errs_in_its_own_unit() -> None:
    both = replace(_twins([3.0, 12.0], noise=1e-6), channel=np.array([0, -1]))
    assert learned(both, model_sd_k=1e6) == pytest.approx(12.0 / RPM_MODEL_SD)
    assert known(of_temperatures(both)) == pytest.approx(3e6)


def test_a_model_that_errs_more_in_some_readings_tells_less_there() -> None:
    twins = _twins([3.0, 4.0])
    assert learned(twins, model_sd_k=np.full(2, 1.2)) == learned(twins, model_sd_k=1.2)
    # Worked by hand: 0.5 and 1.2 K make 1.3 K, 0.5 and 12 K 12.01 K.
    mixed = learned(twins, model_sd_k=np.array([12.0, 1.2]))
    assert mixed == pytest.approx(math.hypot(3.0 / 12.01, 4.0 / 1.3), rel=1e-3)


def test_our_own_model_errs_as_it_has_it_itself() -> None:
    told = Registration(vehicle="NF-01", name="NF-01", circuit="thermostatic_bypass")
    twins = replace(
        _twins([1.0] * 3),
        sump_c=np.array([80.0, 10.0, 80.0]),
        converter_kw=np.array([0.0, 0.0, 4.0]),
    )
    plain_k, cold_k, hot_converter_k = own_sd_k(told, twins, untold=False)
    assert plain_k == ERROR_SD_K[told.truck_class]  # warm, in the sump, behind a valve
    assert cold_k > plain_k
    assert hot_converter_k > plain_k
    untold = own_sd_k(told, twins, untold=True)
    assert untold[0] == plain_k
    assert untold[2] > hot_converter_k
    in_line = own_sd_k(replace(told, sensor="cooler_line"), twins, untold=False)
    assert in_line[0] == pytest.approx(IN_LINE * plain_k)


def test_the_chance_to_find_is_that_of_a_normal_test() -> None:
    # Standard normal table: 1.645 leaves 5 %, 3.090 leaves 0.1 %.
    assert chance(0.0, 0.05) == pytest.approx(0.05)
    assert chance(3.090, 0.001) == pytest.approx(0.5, abs=1e-3)
    assert chance(3.090 + 1.645, 0.001) == pytest.approx(0.95, abs=1e-3)


def _drive(start_s: int, end_s: int, load_share: float = 1.0) -> Drive:
    return Drive(start_s=start_s, end_s=end_s, load_share=load_share, segments=())


DRIVES = (_drive(1_000, 4_000), _drive(10_000, 13_000, 0.0), _drive(20_000, 23_000))


def _of_drives(*drives: Drive) -> Trial:
    return replace(trial(TUNING_SEED, 0), drives=drives)


def test_until_when_a_fault_is_looked_for() -> None:
    one = _of_drives(*DRIVES)
    assert nth_drive_end(DRIVES, 3_999.0, 2) == 13_000.0
    assert nth_drive_end(DRIVES, 4_000.0, 3) is None
    assert third_drive(one, Seen(shows_s=2_000.0)) == 23_000.0
    assert third_drive(one, Seen()) is None
    assert soon_after_plain(one, Seen(plain_s=2_000.0)) == 2_180.0
    assert soon_after_plain(one, Seen(plain_s=3_940.0)) == 10_120.0  # the night does not count
    assert soon_after_plain(one, Seen()) is None
    tows_no_more = _of_drives(*DRIVES[:2])
    assert soon_after_plain(tows_no_more, Seen(plain_s=11_000.0)) is None
    assert plain_to_the_end(one, Seen(shows_s=2_000.0)) is None
    assert plain_to_the_end(one, Seen(plain_s=2_000.0)) == 23_000.0
    assert plain_to_the_end(tows_no_more, Seen(plain_s=11_000.0)) is None


def test_a_stuck_valve_is_looked_for_until_the_fluid_is_spent() -> None:
    one, plain = _of_drives(*DRIVES), Seen(plain_s=2_000.0, now_s=12_000.0)
    assert before_spent(one, plain) is None  # it may be spent yet
    assert before_spent(one, replace(plain, spent_s=11_500.0)) == 11_500.0
    assert before_spent(one, replace(plain, now_s=23_000.0)) == 23_000.0
    assert before_spent(one, Seen(spent_s=11_500.0)) is None  # not plain


@pytest.fixture(scope="module")
def starved() -> tuple[Trial, Twins]:
    """A truck of the tuning seed whose cooler loses half of its air an hour into its first two drives."""
    aim = next(aim for aim in AIMS if aim.label == "starved by half")
    one = trial(TUNING_SEED, next(numbers_of(aim, TUNING_SEED)))
    since_s = one.drives[0].start_s + 3_600.0
    fault = Fault(kind="cooler_starved", since_s=since_s, size=0.9)
    one = replace(one, plan=replace(one.plan, faults=(fault,)), drives=one.drives[:2])
    return one, drive_twins(one, float(one.drives[1].end_s))


def test_twins_part_when_the_fault_begins_and_not_before(starved: tuple[Trial, Twins]) -> None:
    one, twins = starved
    fault = one.fault
    assert fault is not None
    before = twins.time_s < fault.since_s - BIN_S
    assert before.any()
    assert np.all(twins.fault[before] == 0.0)
    assert np.any(twins.fault[~before] != 0.0)
    assert twins.mimic.shape == (len(twins.time_s), len(UNKNOWN) + 2)
    assert np.all(np.any(twins.mimic[twins.channel >= 0, :-1] != 0.0, axis=0))


def test_the_engine_s_speed_is_read_where_the_clutch_is_locked(
    starved: tuple[Trial, Twins],
) -> None:
    _, twins = starved
    locked = twins.channel < 0
    assert locked.any()
    assert np.all(twins.mimic[~locked, -1] == 0.0)
    assert np.all(twins.mimic[locked, -1] > 600.0 * RATIO_SD)  # faster than idle
    assert np.all(twins.fault[locked] == pytest.approx(0.0, abs=1.0))  # no slip in this fault


def test_more_unknown_means_less_found(starved: tuple[Trial, Twins]) -> None:
    one, twins = starved
    found = bound(one, twins, temperatures_only=True)
    *given, own = found.separations
    assert given == sorted(given, reverse=True)
    assert list(found.chances[:-1]) == sorted(found.chances[:-1], reverse=True)
    assert given[-1] < own < given[1]  # our model is wrong by 1 to 4 K


def test_a_fault_that_does_nothing_is_never_looked_for(starved: tuple[Trial, Twins]) -> None:
    one, _ = starved
    nothing = replace(one.plan.faults[0], size=0.0)
    still = replace(one, plan=replace(one.plan, faults=(nothing,)), drives=one.drives[:1])
    assert seen_until_s(still, third_drive) is None


def test_the_table_has_a_line_for_each_aim() -> None:
    some = Bound(separations=(9.0, 5.0, 4.0, 3.0, 4.5), chances=(1.0, 0.9, 0.5, 0.1, 0.7))
    text = table((aim, [some, some]) for aim in AIMS)
    assert len(text.splitlines()) == 2 + len(AIMS)
    assert (
        "| 2 | 90% | 100%, d' 9.0 | 90%, d' 5.0 | 50%, d' 4.0 | 10%, d' 3.0 | 70%, d' 4.5 |"
        in text
    )
    assert "| 0 |" in table([(AIMS[0], [])])
