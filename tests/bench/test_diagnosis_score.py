"""The score of the diagnosis on cases worked by hand."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from tests.bench.diagnosis.calibration import calibrate, of_alarms, of_states
from tests.bench.diagnosis.duties import Drive
from tests.bench.diagnosis.measure import DETECTORS, JUDGES
from tests.bench.diagnosis.outcome import Alarm, Outcome, Stated
from tests.bench.diagnosis.report import report
from tests.bench.diagnosis.score import (
    DAYS_A_YEAR,
    Share,
    confusion,
    false_alarms,
    find,
    impossible,
    row,
    within,
)
from tests.bench.diagnosis.targets import targets

IGNORED = frozenset({"hot"})


def _drive(start_s: int, end_s: int, load_share: float = 1.0) -> Drive:
    return Drive(start_s=start_s, end_s=end_s, load_share=load_share, segments=())


DRIVES = (
    _drive(1_000, 4_000),
    _drive(10_000, 13_000, 0.0),
    _drive(20_000, 23_000),
    _drive(30_000, 33_000),
)
FAULTY = Outcome(
    label="stuck", drives=DRIVES, days=1, since_s=1_500.0, shows_s=3_400.0, plain_s=3_900.0
)
HEALTHY = Outcome(label="", drives=DRIVES, days=1)


def _with(outcome: Outcome, *alarms: tuple[str, float]) -> Outcome:
    said = tuple(Alarm(kind=kind, second=second) for kind, second in alarms)
    return replace(outcome, alarms={"judge": said})


def _shares_of_row(*outcomes: Outcome) -> dict[str, tuple[int, int]]:
    scored = row(
        "stuck", outcomes, "judge", ignored=IGNORED, named={"right"}, less_exact={"poor"}
    )
    names = ("detected", "gradual", "plain", "named", "less_exact", "wrong", "before_hot")
    return {name: (getattr(scored, name).hits, getattr(scored, name).of) for name in names}


def test_a_delay_is_running_time_and_the_night_does_not_count() -> None:
    found = find(_with(FAULTY, ("right", 10_300.0)), "judge", IGNORED)
    assert found.delay_s == 600.0 + 300.0
    assert found.delay_plain_s == 100.0 + 300.0
    assert (found.drives, found.loaded_drives) == (2, 1)


def test_an_alarm_before_the_fault_shows_has_a_negative_delay() -> None:
    found = find(_with(FAULTY, ("right", 3_000.0)), "judge", IGNORED)
    assert found.delay_s == -400.0
    assert found.drives == 1


def test_an_alarm_before_the_fault_began_does_not_find_it() -> None:
    found = find(_with(FAULTY, ("right", 1_400.0), ("wrong", 4_000.0)), "judge", IGNORED)
    assert found.alarm == Alarm(kind="wrong", second=4_000.0)


def test_kinds_that_accuse_nothing_find_nothing() -> None:
    assert find(_with(FAULTY, ("hot", 3_600.0)), "judge", IGNORED).alarm is None


def test_a_fault_that_never_shows_cannot_be_found() -> None:
    with pytest.raises(ValueError, match="never showed"):
        find(_with(replace(FAULTY, shows_s=None)), "judge", IGNORED)


def test_hot_time_counts_from_the_fault_to_the_alarm() -> None:
    hot = replace(FAULTY, hot_s=(100, 1_600, 1_700, 3_990, 9_999))
    assert find(_with(hot, ("right", 4_000.0)), "judge", IGNORED).hot_s == 3


def test_a_row_counts_each_share_of_its_own_whole() -> None:
    outcomes = (
        _with(FAULTY, ("right", 3_460.0)),
        _with(replace(FAULTY, gradual=True), ("poor", 3_700.0), ("right", 3_800.0)),
        _with(replace(FAULTY, gradual=True, plain_s=None)),
        _with(replace(FAULTY, shows_s=None), ("right", 3_460.0)),
        _with(replace(FAULTY, hot_s=tuple(range(3_400, 3_800))), ("wrong", 3_900.0)),
        _with(replace(FAULTY, label="other"), ("right", 3_460.0)),
    )
    assert _shares_of_row(*outcomes) == {
        "detected": (3, 4),
        "gradual": (1, 2),
        "plain": (3, 3),
        "named": (1, 3),
        "less_exact": (1, 3),
        "wrong": (1, 3),
        "before_hot": (2, 4),
    }
    scored = row("stuck", outcomes, "judge", ignored=IGNORED, named=set(), less_exact=set())
    assert scored.unseen == 1
    assert scored.delay_median_s == 300.0
    # Between the second and the third of 60, 300 and 500 s, at 0.95 × 2 = 1.9 steps.
    assert scored.delay_p95_s == pytest.approx(300.0 + 0.9 * 200.0)


def test_only_those_with_enough_drives_left_count_as_missed() -> None:
    late = replace(FAULTY, shows_s=31_000.0, plain_s=None)
    found = [
        find(_with(FAULTY, ("right", 20_500.0)), "judge", IGNORED),
        find(_with(FAULTY, ("right", 30_500.0)), "judge", IGNORED),
        find(_with(FAULTY), "judge", IGNORED),
        find(_with(late), "judge", IGNORED),
    ]
    assert within(found, 3, loaded=False) == Share(hits=1, of=3)
    assert within(found, 2, loaded=True) == Share(hits=1, of=3)


def test_the_first_accusing_alarm_fills_the_confusion() -> None:
    outcomes = (
        _with(FAULTY, ("wrong", 1_000.0), ("hot", 3_500.0), ("right", 3_600.0)),
        _with(FAULTY, ("hot", 3_500.0)),
        _with(FAULTY),
        _with(replace(FAULTY, shows_s=None), ("right", 3_600.0)),
        _with(HEALTHY, ("right", 50.0), ("wrong", 60.0)),
        _with(HEALTHY),
    )
    assert confusion(outcomes, "judge", IGNORED) == {
        "stuck": Counter({"right": 1, "hot only": 1, "none": 1}),
        "": Counter({"right": 1, "none": 1}),
    }


def test_false_alarms_are_those_without_a_fault_over_the_time_without_one() -> None:
    outcomes = (
        _with(HEALTHY, ("right", 50.0), ("hot", 60.0), ("right", 70_000.0)),
        _with(FAULTY, ("wrong", 1_200.0), ("right", 3_600.0)),
    )
    scored = false_alarms(outcomes, "judge", ignored=IGNORED)
    assert scored.by_kind == Counter(right=2, wrong=1)
    assert scored.days == pytest.approx(1.0 + 1_500.0 / 86_400.0)
    assert scored.running_h == pytest.approx((4 * 3_000.0 + 500.0) / 3_600.0)
    assert scored.per_year == pytest.approx(3.0 / scored.days * DAYS_A_YEAR)
    assert scored.per_hour == pytest.approx(3.0 / scored.running_h)


def test_false_alarms_of_known_trucks_are_those_after_their_first_days() -> None:
    outcomes = (
        _with(HEALTHY, ("right", 50.0), ("hot", 60.0), ("right", 70_000.0)),
        _with(FAULTY, ("wrong", 1_200.0), ("right", 3_600.0)),
    )
    early, late = (
        false_alarms(outcomes, "judge", ignored=IGNORED, **between)
        for between in ({"until_s": 1_000.0}, {"since_s": 1_000.0})
    )
    assert (early.by_kind, late.by_kind) == (Counter(right=1), Counter(right=1, wrong=1))
    assert early.days == pytest.approx(2_000.0 / 86_400.0)
    whole = false_alarms(outcomes, "judge", ignored=IGNORED)
    assert early.days + late.days == pytest.approx(whole.days)
    assert early.running_h + late.running_h == pytest.approx(whole.running_h)
    # A fault that began before them leaves no time without one.
    assert false_alarms(outcomes[1:], "judge", since_s=2_000.0).days == 0.0


def test_no_false_alarm_still_leaves_a_bound() -> None:
    # The rule of three, exactly: -ln 0.05 = 2.9957 events may hide behind none seen.
    none = false_alarms([_with(replace(HEALTHY, days=365))], "judge")
    assert none.per_year == 0.0
    assert none.per_year_most == pytest.approx(-math.log(0.05))


@pytest.mark.parametrize(
    ("hits", "of", "low", "high"),
    [
        # Newcombe, Statistics in Medicine 17 (1998), table I, method 3 (from memory).
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0000, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_the_interval_of_a_share_is_wilsons(
    hits: int, of: int, low: float, high: float
) -> None:
    assert Share(hits=hits, of=of).interval == pytest.approx((low, high), abs=5e-5)


def test_calibration_by_hand() -> None:
    stated = np.array([0.0, 0.05, 0.05, 0.8, 1.0])
    held = np.array([False, False, True, True, True])
    made = calibrate(stated, held)
    assert [(one.low, one.high, one.count) for one in made.bins] == [
        (0.0, 0.001, 1),
        (0.01, 0.1, 2),
        (0.7, 0.9, 1),
        (0.999, 1.0, 1),
    ]
    assert [one.held for one in made.bins] == [0.0, 0.5, 1.0, 1.0]
    assert made.bins[1].stated == pytest.approx(0.05)
    assert made.brier == pytest.approx((0.05**2 + 0.95**2 + 0.2**2) / 5.0)
    assert made.base_rate == pytest.approx(0.6)
    assert made.brier_base == pytest.approx(0.24)


def test_true_probabilities_are_found_to_hold() -> None:
    rng = np.random.default_rng(5)
    stated = rng.random(100_000)
    made = calibrate(stated, rng.random(100_000) < stated)
    for one in made.bins:
        assert abs(one.stated - one.held) < 4.0 * 0.5 / math.sqrt(one.count)
    assert made.brier == pytest.approx(1.0 / 6.0, abs=0.003)  # the mean of p·(1 - p)


def test_nothing_stated_is_no_calibration() -> None:
    assert math.isnan(calibrate(np.zeros(0), np.zeros(0, np.bool_)).brier)


def test_what_is_held_likely_is_compared_with_what_had_shown() -> None:
    stated = tuple(
        Stated(second=second, probability=probability)
        for second, probability in ((1_200.0, 0.2), (2_000.0, 0.9), (3_500.0, 0.9))
    )
    outcomes = (
        replace(FAULTY, stated=stated),
        replace(HEALTHY, stated=stated[:1]),
        replace(FAULTY, label="sensor", stated=stated),
    )
    made = of_states(outcomes, {"sensor"})
    # Begun and not shown yet, at 2,000 s, counts neither way.
    assert made.count == 3
    assert made.base_rate == pytest.approx(1.0 / 3.0)
    assert made.brier == pytest.approx((0.2**2 + 0.2**2 + 0.1**2) / 3.0)


def test_alarms_are_compared_with_what_they_name() -> None:
    outcomes = (
        _with(FAULTY, ("right", 1_000.0), ("right", 3_600.0), ("wrong", 3_600.0)),
        _with(HEALTHY, ("right", 50.0)),
        _with(replace(FAULTY, label="other"), ("right", 3_600.0)),
    )
    made = of_alarms(outcomes, "judge", "right", {"stuck"})
    assert (made.count, made.base_rate) == (4, 0.25)


def test_an_alarm_of_a_part_that_the_truck_does_not_have_is_counted() -> None:
    bare = replace(HEALTHY, cannot=frozenset({"bypass_stuck"}))
    said = [_with(one, ("bypass_stuck", 2_000.0), ("poor", 2_500.0)) for one in (bare, HEALTHY)]
    assert impossible(said, "judge") == Counter(bypass_stuck=1)
    figures = targets(said, "judge", IGNORED, false_alarms(said, "judge"))
    assert [figure.met for figure in figures if "does not have" in figure.asked] == [False]


@pytest.mark.parametrize(
    ("alarm", "named"),
    [
        (Alarm(kind="lockup_slip", second=2_000.0), 1),
        (Alarm(kind="heat_rejection_low", second=2_000.0, p_slip=0.02), 1),
        (Alarm(kind="heat_rejection_low", second=2_000.0, p_slip=0.019), 0),
        (Alarm(kind="lockup_slip", second=1_400.0), 0),
        (Alarm(kind="hot", second=2_000.0, p_slip=1.0), 0),
    ],
)
def test_slip_is_named_as_such_or_as_a_rival_once_it_began(alarm: Alarm, named: int) -> None:
    said = [replace(FAULTY, label="lockup slip", alarms={"judge": (alarm,)})]
    figures = targets(said, "judge", IGNORED, false_alarms(said, "judge"))
    (figure,) = (one for one in figures if "among the rivals" in one.asked)
    assert figure.measured.startswith(f"{named:.1%} of 1")


def test_stuck_valves_are_told_apart_by_where_the_fluid_is_read() -> None:
    stuck = replace(FAULTY, label="bypass stuck", alarms=dict.fromkeys(JUDGES, ()))
    found = replace(
        stuck, alarms={**stuck.alarms, DETECTORS: (Alarm(kind="bypass_stuck", second=4_000.0),)}
    )
    outcomes = [found, found, replace(found, position="cooler_line")]
    outcomes.append(replace(stuck, position="cooler_line"))
    rows = {one.label: one.detected for one in report(outcomes).rows[DETECTORS]}
    assert rows["bypass stuck, read in the sump"] == Share(hits=2, of=2)
    assert rows["bypass stuck, read in the cooler's line"] == Share(hits=1, of=2)
    assert rows["bypass stuck, read beyond the converter"] == Share(hits=0, of=0)
