"""A slipping clutch is found within minutes of pulling, and a sound one is left alone."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from models.detectors import DETECTORS
from models.detectors.lockup_slip import LOCKUP_SLIP
from models.fleet import CHART, Vehicle
from models.kernel import KINDS, STATE, advance
from models.layout import blank, record
from models.parameters import parameters
from models.units import METRIC, US
from tests.models.entries import count, entry
from tests.models.geared import RATED_NM, Road
from tests.recorded import HOUR_MS, NOON_MS, records

PARAMS = parameters(
    Vehicle(name="NF-01", rated_torque_nm=RATED_NM),
    CHART,
    max_gap_s=300.0,
    silent_after_s=900.0,
)
ESTIMATED = ("lockup_slip_rpm",)
each_way = pytest.mark.parametrize("absent", [(), ESTIMATED], ids=["measured", "estimated"])
each_period = pytest.mark.parametrize("period_s", [1.0, 5.0, 10.0, 30.0])


def judged(road: Road) -> tuple[Any, list[Any]]:
    """Give the state after the road and the events of this kind."""
    state = blank(STATE)
    blocks = advance(PARAMS, state, 0, records(road.samples))
    found = [event for block in blocks for event in block]
    return state, [one for one in found if KINDS[int(one["kind"])] == LOCKUP_SLIP.kind]


def told(event: Any) -> Mapping[str, float]:
    return dict(zip(LOCKUP_SLIP.evidence, event["evidence"], strict=False))


def minutes_after(road: Road, begun: int, event: Any) -> float:
    return float(event["time_ms"] - road.samples[begun]["time_ms"]) / 60_000.0


@each_way
@each_period
@pytest.mark.parametrize("extra_rpm", [90.0, 200.0, 350.0])
def test_it_is_confirmed_within_minutes_of_pulling(
    absent: tuple[str, ...], period_s: float, extra_rpm: float
) -> None:
    road = Road(period_s=period_s, absent=absent)
    road.healthy_hour()
    begun = len(road.samples)
    road.piece(15, slip_rpm=15.0 + extra_rpm)
    _, (raised,) = judged(road)
    assert 3.0 < minutes_after(road, begun, raised) < 12.0
    evidence = told(raised)
    assert evidence["slip_rpm"] == pytest.approx(15.0 + extra_rpm, abs=15.0)
    assert evidence["usual_slip_rpm"] == pytest.approx(15.0, abs=8.0)
    slip_w = 0.4 * RATED_NM * evidence["slip_rpm"] * 0.10472
    assert evidence["slip_heat_kw"] == pytest.approx(slip_w / 1000.0, rel=0.05)
    assert evidence["slip_measured"] == (0.0 if absent else 1.0)
    since_ms = 1000.0 * evidence["suspected_since_unix_s"]
    assert since_ms == pytest.approx(road.samples[begun]["time_ms"], abs=120_000)


@each_way
@pytest.mark.parametrize("period_s", [1.0, 10.0])
def test_values_lost_on_the_way_delay_it_little(
    absent: tuple[str, ...], period_s: float
) -> None:
    road = Road(period_s=period_s, absent=absent, lost=0.2)
    for _ in range(2):
        road.healthy_hour()
    begun = len(road.samples)
    road.piece(25, slip_rpm=215.0)
    _, (raised,) = judged(road)
    assert minutes_after(road, begun, raised) < 18.0


def test_an_estimate_is_less_sure_than_a_signal() -> None:
    sure = []
    for absent in ((), ESTIMATED):
        road = Road(absent=absent)
        road.healthy_hour()
        road.piece(3, slip_rpm=200.0)
        road.piece(1, load=0.0)
        road.piece(20, slip_rpm=200.0)
        _, (raised,) = judged(road)
        sure.append(float(raised["probability"]))
    assert 0.95 < sure[0] <= 1.0
    assert 0.85 < sure[1] < sure[0]


@each_way
@pytest.mark.parametrize("usual_rpm", [4.0, 25.0, 45.0])
def test_a_sound_clutch_is_left_alone_whatever_slip_is_its_own(
    absent: tuple[str, ...], usual_rpm: float
) -> None:
    road = Road(absent=absent)
    for _ in range(6):
        road.piece(20, slip_rpm=usual_rpm)
        road.piece(3, load=0.0)
        road.piece(15, slip_rpm=usual_rpm, gear=6, km_h=85.0, load=0.8)
    state, found = judged(road)
    assert found == []
    assert record(state).lockup_slip.own.log_odds < -8.0


@pytest.mark.parametrize("tyre", [0.96, 0.98, 1.03])
def test_worn_or_new_tyres_are_not_taken_for_slip(tyre: float) -> None:
    road = Road(absent=ESTIMATED)
    road.healthy_hour()
    road.tyre = tyre
    road.healthy_hour()
    assert judged(road)[1] == []


def test_much_smaller_tyres_are_told_from_slip_by_the_first_overrun() -> None:
    road = Road(absent=ESTIMATED)
    road.healthy_hour()
    road.tyre = 1.06
    road.piece(12)
    _, (raised,) = judged(road)
    assert told(raised)["overrun_unknown"] == 1.0
    assert float(raised["probability"]) < 0.85
    road.piece(3, load=0.0)
    road.piece(20)
    assert [bool(event["active"]) for event in judged(road)[1]] == [True, False]
    first = Road(absent=ESTIMATED)
    first.healthy_hour()
    first.tyre = 1.06
    first.piece(3, load=0.0)
    first.piece(20)
    assert judged(first)[1] == []


def test_a_fault_that_grows_over_hours_is_found_before_it_has_grown_to_the_full() -> None:
    road = Road(absent=ESTIMATED)
    road.healthy_hour()
    for tenth in range(1, 25):
        road.piece(8, slip_rpm=15.0 + 10.0 * tenth)
        road.piece(1, load=0.0)
    _, (raised,) = judged(road)
    assert told(raised)["slip_rpm"] < 130.0


@pytest.mark.parametrize(
    "absent", [("gear", *ESTIMATED), ("lockup", *ESTIMATED), ("gear", "lockup", *ESTIMATED)]
)
def test_where_nothing_tells_slip_it_is_silent(absent: tuple[str, ...]) -> None:
    road = Road(absent=absent)
    road.healthy_hour()
    road.piece(40, slip_rpm=250.0)
    assert judged(road)[1] == []


def test_an_open_converter_is_not_a_slipping_clutch() -> None:
    for absent in ((), ESTIMATED):
        road = Road(absent=absent)
        road.healthy_hour()
        road.piece(40, slip_rpm=250.0, lockup=False, load=0.7)
        assert judged(road)[1] == []


def test_the_alarm_goes_when_the_clutch_has_held_for_long() -> None:
    road = Road()
    road.healthy_hour()
    road.piece(15, slip_rpm=150.0)
    road.piece(5, load=0.0)  # coasting shows nothing of a clutch
    road.piece(5, slip_rpm=15.0)
    assert [bool(event["active"]) for event in judged(road)[1]] == [True]
    road.piece(20, slip_rpm=15.0)
    assert [bool(event["active"]) for event in judged(road)[1]] == [True, False]


def test_near_the_limit_of_the_fluid_it_is_urgent() -> None:
    road = Road()
    road.healthy_hour()
    road.piece(15, slip_rpm=150.0)
    cool = judged(road)[1][0]
    for sample in road.samples:
        assert isinstance(sample, dict)
        sample["fluid_temp_c"] = 120.0
    hot = judged(road)[1][0]
    assert (cool["priority"], hot["priority"]) == (2, 3)


def test_another_gearbox_begins_again() -> None:
    road = Road()
    road.healthy_hour()
    road.piece(15, slip_rpm=150.0)
    state, _ = judged(road)
    assert record(state).lockup_slip.own.upheld == 1
    count(PARAMS, state, entry("gearbox", NOON_MS + 10 * HOUR_MS))
    assert not any(record(state).lockup_slip.own.tobytes())
    assert "circuit" not in LOCKUP_SLIP.begins_again_with
    assert LOCKUP_SLIP in DETECTORS


def evidence(**changed: float) -> dict[str, float]:
    base = dict.fromkeys(LOCKUP_SLIP.evidence, 0.0) | {
        "slip_rpm": 210.0,
        "usual_slip_rpm": 14.0,
        "slip_limit_rpm": 60.0,
        "slip_heat_kw": 9.4,
        "slip_heat_share": 0.7,
        "minutes_of_slip": 6.0,
        "suspected_since_unix_s": NOON_MS / 1000.0,
        "slip_measured": 1.0,
        "fluid_temp_c": 101.0,
        "limit_temp_c": 121.0,
    }
    return base | changed


def test_words_of_a_measured_slip() -> None:
    said = LOCKUP_SLIP.words(evidence(), METRIC)
    assert "210 rpm of slip (measured)" in said.observed
    assert "9.4 kW" in said.observed
    assert "70%" in said.observed
    assert "101 °C" in said.observed
    assert "214 °F" in LOCKUP_SLIP.words(evidence(), US).observed
    assert "tyres" not in said.doubts
    assert "12:00" in said.since


def test_words_of_an_estimate_name_its_rivals() -> None:
    said = LOCKUP_SLIP.words(evidence(slip_measured=0.0, gear_ratio_known_min=20.0), METRIC)
    assert "estimated" in said.observed
    assert "Tyres of another size" in said.doubts
    assert "gear signal" in said.doubts
    unsure = LOCKUP_SLIP.words(evidence(slip_measured=0.0, overrun_unknown=1.0), METRIC)
    assert "overrun" in unsure.doubts
    assert "few minutes" in unsure.tells_apart


def test_what_is_not_known_is_left_out() -> None:
    nothing = float("nan")
    said = LOCKUP_SLIP.words(
        evidence(slip_heat_kw=nothing, slip_heat_share=nothing, fluid_temp_c=nothing),
        METRIC,
    )
    assert "nan" not in f"{said.observed} {said.doubts} {said.expected}"
    assert "kW" not in said.observed
