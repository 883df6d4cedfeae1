"""The service's notices: at 80, 95 and 100 % of the way, once an interval, with the dates in words."""

from __future__ import annotations

import math
from datetime import timedelta, timezone
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from models.detectors.service_due import SERVICE_DUE
from models.due import due_of
from models.due_words import due_in_words, words_of
from models.fleet import CHART, Limits, Vehicle
from models.kernel import KINDS, STATE, advance
from models.layout import blank, record
from models.parameters import parameters
from models.units import METRIC, US, Units
from tests.models.entries import count, entry
from tests.models.roads import DAY_MS, FIRST_MS, START_KM, days_out
from tests.recorded import records

LIMIT_KM = 5_000.0
PARAMS = parameters(
    Vehicle(name="NF-01", limits=Limits(service_distance_km=LIMIT_KM)),
    CHART,
    max_gap_s=300.0,
    silent_after_s=1e9,
)
KIND = KINDS.index("service_due")
Notice = tuple[int, bool, int, dict[str, float]]


def fresh() -> NDArray[Any]:
    """Give the state of a truck whose fill went in as its road began."""
    state = blank(STATE)
    count(PARAMS, state, entry("install", FIRST_MS, odometer_km=START_KM))
    return state


def drive(
    state: NDArray[Any], days: int, first_day: int, params: NDArray[Any] = PARAMS
) -> list[Notice]:
    """Drive 100 km a day; give time, active or not, priority and evidence of each notice."""
    samples = days_out(
        [100.0] * days, first_day=first_day, start_km=START_KM + 100.0 * first_day, celsius=70.0
    )
    return [
        (
            int(event["time_ms"]),
            bool(event["active"]),
            int(event["priority"]),
            dict(zip(SERVICE_DUE.evidence, map(float, event["evidence"]), strict=False)),
        )
        for block in advance(params, state, 0, records(samples))
        for event in block
        if event["kind"] == KIND
    ]


def serviced(state: NDArray[Any], kind: str, day: int, **numbers: float) -> None:
    odometer_km = START_KM + 100.0 * day
    written = entry(kind, FIRST_MS + day * DAY_MS, epoch=0, odometer_km=odometer_km, **numbers)
    count(PARAMS, state, written)


def test_it_is_told_at_80_95_and_100_percent_and_never_again() -> None:
    state = fresh()
    told = drive(state, 70, 0)
    assert [(active, priority) for _, active, priority, _ in told] == [
        (True, 1),
        (True, 2),
        (True, 3),
    ]
    shares = [evidence["share_by_distance"] for *_, evidence in told]
    assert shares == pytest.approx([0.80, 0.95, 1.00], abs=1e-3)


def test_the_evidence_names_the_dates_as_they_were_then() -> None:
    told = drive(fresh(), 51, 0)
    for (time_ms, _, _, evidence), left_days in zip(told, (10.0, 2.5, 0.0), strict=True):
        median_ms = evidence["due_median_ms"]
        assert (median_ms - time_ms) / DAY_MS == pytest.approx(left_days, abs=0.6)
        assert evidence["due_early_ms"] <= median_ms <= evidence["due_late_ms"]
        assert evidence["due_by"] == 1.0
        assert evidence["distance_limit_km"] == LIMIT_KM
    last_ms, *_, last = told[-1]
    assert last["due_early_ms"] == last["due_median_ms"] == last["due_late_ms"] == last_ms


@pytest.mark.parametrize(
    ("kind", "numbers"),
    [("exchange", {}), ("pan_drop", {"volume_l": 4.5}), ("install", {}), ("gearbox", {})],
)
def test_a_service_ends_the_alarm_and_begins_the_interval_again(
    kind: str, numbers: dict[str, float]
) -> None:
    state = fresh()
    drive(state, 51, 0)
    serviced(state, kind, 51, **numbers)
    told = drive(state, 45, 51)
    assert [(active, priority) for _, active, priority, _ in told] == [(False, 3), (True, 1)]
    assert told[0][3]["share_by_distance"] < 0.01
    assert told[0][3]["due_median_ms"] > told[0][0]
    assert told[1][3]["share_by_distance"] == pytest.approx(0.80, abs=1e-3)


def test_a_service_that_leaves_much_of_an_old_fluid_is_told_of_afresh() -> None:
    state = fresh()
    drive(state, 2, 0)
    serviced(state, "install", 2, life_used=1.5)
    assert [one[1:3] for one in drive(state, 1, 2)] == [(True, 3)]
    serviced(state, "pan_drop", 3, volume_l=4.5)
    told = drive(state, 1, 3)
    assert [one[1:3] for one in told] == [(False, 3), (True, 1)]
    assert told[1][3]["share_by_heat"] == pytest.approx(1.5 * 7.5 / 12.0, abs=0.01)


def test_what_the_laboratory_takes_back_is_taken_back() -> None:
    state = fresh()
    drive(state, 2, 0)
    serviced(state, "install", 2, life_used=0.9)
    assert [one[1:3] for one in drive(state, 1, 2)] == [(True, 1)]
    serviced(state, "sample", 3, antioxidant=0.9, antioxidant_sd=0.02)
    told = drive(state, 1, 3)
    assert [one[1:3] for one in told] == [(False, 1)]
    assert told[0][3]["share_by_heat"] < 0.75


def test_a_distance_that_is_corrected_a_little_takes_nothing_back() -> None:
    state = fresh()
    assert len(drive(state, 41, 0)) == 1
    record(state).truck.account.travel.distance_km -= 150.0
    assert drive(state, 1, 41) == []


def test_an_age_is_told_though_nothing_else_is_near() -> None:
    params = PARAMS.copy()
    params[0]["service_due"]["age_days"] = 30.0
    params[0]["service_due"]["distance_km"] = 1e6
    told = drive(fresh(), 32, 0, params)
    assert [priority for _, _, priority, _ in told] == [1, 2, 3]
    assert {evidence["due_by"] for *_, evidence in told} == {2.0}
    assert {evidence["due_median_ms"] for *_, evidence in told} == {FIRST_MS + 30.0 * DAY_MS}
    words = SERVICE_DUE.words(told[0][3], METRIC)
    assert words.title == "Service due on 31 January 2026, by age"


def test_splitting_the_samples_changes_no_notice() -> None:
    whole, parts = fresh(), fresh()
    at_once = drive(whole, 51, 0)
    by_days = [one for day in range(51) for one in drive(parts, 1, day)]
    assert repr(at_once) == repr(by_days)
    assert whole.tobytes() == parts.tobytes()


def test_the_notice_says_when_why_and_how_sure() -> None:
    _, _, _, evidence = drive(fresh(), 41, 0)[0]
    words = SERVICE_DUE.words(evidence, METRIC)
    assert words.title.startswith("Service due about 20 February 2026 (8 in 10: ")
    assert words.title.endswith("by distance")
    assert "distance 80%" in words.observed
    assert "4,000 km of 5,000 km" in words.observed
    assert "as in the last weeks" in words.doubts
    assert "2,485 mi of 3,107 mi" in SERVICE_DUE.words(evidence, US).observed


JANUARY_3, JANUARY_12, FEBRUARY_2 = (
    1_798_934_400_000.0,
    1_799_712_000_000.0,
    1_801_526_400_000.0,
)
"""2027, midnight UTC."""


@pytest.mark.parametrize(
    ("times", "overdue", "said"),
    [
        (
            (JANUARY_12, JANUARY_3, FEBRUARY_2),
            False,
            "Service due about 12 January 2027 (8 in 10: 3 January to 2 February), by heat",
        ),
        (
            (JANUARY_12, JANUARY_3 - 5 * DAY_MS, FEBRUARY_2),
            False,
            (
                "Service due about 12 January 2027 "
                "(8 in 10: 29 December 2026 to 2 February 2027), by heat"
            ),
        ),
        (
            (JANUARY_12, JANUARY_3, math.nan),
            False,
            (
                "Service due about 12 January 2027 "
                "(8 in 10: from 3 January 2027, or not within five years), by heat"
            ),
        ),
        (
            (math.nan, JANUARY_3, math.nan),
            False,
            "Service probably not due within five years (1 in 10: by 3 January 2027), by heat",
        ),
        (
            (math.nan, math.nan, math.nan),
            False,
            "Service not due within five years at the pace of the last weeks",
        ),
        ((JANUARY_12,) * 3, False, "Service due on 12 January 2027, by heat"),
        ((JANUARY_12,) * 3, True, "Service due since 12 January 2027, by heat"),
    ],
)
def test_the_dates_in_words(
    times: tuple[float, float, float], overdue: bool, said: str
) -> None:
    median_ms, early_ms, late_ms = times
    words = due_in_words(
        METRIC,
        "heat",
        overdue=overdue,
        median_ms=median_ms,
        early_ms=early_ms,
        late_ms=late_ms,
    )
    assert words == said
    assert len(words) < 100


def test_the_day_is_that_of_the_fleets_zone() -> None:
    west = Units(zone=timezone(timedelta(hours=-6)))
    assert (METRIC.day(JANUARY_3), west.day(JANUARY_3)) == ("3 January 2027", "2 January 2027")
    assert west.day(JANUARY_3, year=False) == "2 January"
    midnight = 1_798_761_600_000.0
    assert (METRIC.year(midnight), west.year(midnight)) == (2027, 2026)


def test_the_words_at_any_time_are_those_of_the_notice() -> None:
    state = fresh()
    assert drive(state, 39, 0) == []
    due = due_of(record(PARAMS), record(state), FIRST_MS + 39 * DAY_MS)
    assert words_of(due, METRIC).startswith("Service due about ")
    drive(state, 12, 39)
    late = due_of(record(PARAMS), record(state), FIRST_MS + 70 * DAY_MS)
    assert words_of(late, METRIC) == "Service due since 19 February 2026, by distance"


def test_titles_are_short_with_the_longest_names() -> None:
    times = np.array([1_789_862_400_000.0, 1_757_808_000_000.0, 1_820_966_400_000.0])
    words = due_in_words(
        METRIC,
        "distance",
        overdue=False,
        median_ms=times[0],
        early_ms=times[1],
        late_ms=times[2],
    )
    assert words == (
        "Service due about 20 September 2026 "
        "(8 in 10: 14 September 2025 to 15 September 2027), by distance"
    )
    assert len(words) < 100
