"""Alarms of the cooling circuit where the fluid is read more rarely than the rest."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.detectors import DETECTORS
from models.fleet import CHART, Vehicle
from models.hypotheses import AIR, FLOW, HEALTHY, LOW, OPEN, SHUT
from models.kernel import KINDS, STATE, advance
from models.layout import blank
from models.parameters import parameters
from models.units import METRIC
from tests.recorded import NOON_MS, Sample, records

HOT_C = 145.0
PARAMS = parameters(Vehicle(name="NF-01"), CHART, max_gap_s=300.0, silent_after_s=900.0)
BY_KIND = {detector.kind: detector for detector in DETECTORS}


def pulling(second: int, **more: float) -> Sample:
    return {
        "time_ms": NOON_MS + 1000.0 * second,
        "engine_rpm": 1800.0,
        "speed_km_h": 60.0,
        **more,
    }


def raised(kind: str, state: Any, samples: list[Sample], params: Any = PARAMS) -> list[Any]:
    found = advance(params, state, 0, records(samples))
    events = [event for each in found for event in each]
    return [one for one in events if KINDS[one["kind"]] == kind and one["active"]]


@pytest.mark.parametrize(
    ("kind", "fault", "priority"), [("bypass_stuck", SHUT, 4), ("cooler_starved", AIR, 3)]
)
def test_the_last_reading_counts_between_two(kind: str, fault: int, priority: int) -> None:
    state = blank(STATE)
    advance(PARAMS, state, 0, records([pulling(0, fluid_temp_c=HOT_C)]))
    odds = state[0]["truck"]["thermal"]["p"]
    odds[[HEALTHY, fault]] = 1e-9, 1.0 - 1e-9
    # No sample with a reading follows: no window ends, and the odds stay as written.
    found = raised(kind, state, [pulling(second) for second in range(5, 200, 5)])
    assert [one["priority"] for one in found] == [priority]
    told = BY_KIND[kind]
    evidence = dict(zip(told.evidence, found[0]["evidence"], strict=False))
    assert evidence["fluid_temp_c"] == HOT_C
    assert "145 °C" in told.words(evidence, METRIC).observed


LINES = {"cooler_out_temp_c": 121.0, "cooler_return_temp_c": 96.0}


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (LINES, " The fluid goes to the cooler at 121 °C and comes back at 96 °C."),
        ({"cooler_out_temp_c": 121.0}, ""),
        ({"cooler_return_temp_c": 96.0}, ""),
        ({}, ""),
    ],
    ids=["both", "only-out", "only-back", "none"],
)
def test_where_both_lines_are_read_the_alarm_says_how_hot_they_were(
    lines: dict[str, float], said: str
) -> None:
    state = blank(STATE)
    read = [pulling(second, fluid_temp_c=120.0, **lines) for second in range(0, 100, 5)]
    advance(PARAMS, state, 0, records(read))
    state[0]["truck"]["thermal"]["p"][:] = 0.0
    state[0]["truck"]["thermal"]["p"][[HEALTHY, AIR]] = 1e-9, 1.0 - 1e-9
    found = raised("cooler_starved", state, [pulling(second) for second in range(105, 300, 5)])
    told = BY_KIND["cooler_starved"]
    evidence = dict(zip(told.evidence, found[0]["evidence"], strict=False))
    observed = told.words(evidence, METRIC).observed
    assert observed.partition(" of heat goes in.")[2] == said


def first(
    shut: float, *, air: float, flow: float, fluid_c: float, share: float = 0.3
) -> set[str]:
    """Give the alarms of a circuit with these probabilities, the rest healthy."""
    state = blank(STATE)
    advance(PARAMS, state, 0, records([pulling(0, fluid_temp_c=fluid_c)]))
    thermal = state[0]["truck"]["thermal"]
    thermal["p"][:] = 0.0
    thermal["p"][[HEALTHY, SHUT, AIR, FLOW]] = 1.0 - shut - air - flow, shut, air, flow
    thermal["share"] = share
    found = advance(PARAMS, state, 0, records([pulling(second) for second in range(5, 20, 5)]))
    return {KINDS[one["kind"]] for each in found for one in each if one["active"]}


def test_a_shut_valve_is_named_sooner_where_hardly_anything_is_carried_off() -> None:
    assert "bypass_stuck" in first(0.45, air=0.5, flow=0.04, fluid_c=95.0, share=0.1)
    assert "bypass_stuck" not in first(0.45, air=0.5, flow=0.04, fluid_c=95.0, share=0.2)


def test_near_the_limit_a_shut_valve_is_told_sooner() -> None:
    assert "bypass_stuck" not in first(0.8, air=0.0, flow=0.0, fluid_c=95.0)
    assert "bypass_stuck" in first(0.8, air=0.0, flow=0.0, fluid_c=110.0)


def told_at(
    kind: str,
    fault: int,
    probability: float,
    *,
    seconds: int,
    params: Any = PARAMS,
    fluid_c: float = 95.0,
    **more: float,
) -> bool:
    """Say whether people are told of a fault at this probability, once it has lasted."""
    state = blank(STATE)
    advance(params, state, 0, records([pulling(0, fluid_temp_c=fluid_c, **more)]))
    odds = state[0]["truck"]["thermal"]["p"]
    odds[:] = 0.0
    odds[[HEALTHY, fault]] = 1.0 - probability, probability
    samples = [pulling(second, **more) for second in range(5, seconds, 5)]
    return bool(raised(kind, state, samples, params))


HOT_C_NEAR = 119.0
"""Near the limit of the fluid and not yet beyond what is dangerous [°C]."""


@pytest.mark.parametrize("fault", [AIR, FLOW])
def test_a_starved_cooler_of_a_heavy_truck_is_told_as_of_others_near_the_limit(
    fault: int,
) -> None:
    heavy = parameters(
        Vehicle(name="NF-01", thermal_class="heavy"),
        CHART,
        max_gap_s=300.0,
        silent_after_s=900.0,
    )
    usual = float(PARAMS[0]["cooler_starved"]["sure"])
    just = usual + 0.01 * (1.0 - usual)

    def told(fluid_c: float, **more: float) -> bool:
        return told_at(
            "cooler_starved", fault, just, seconds=200, params=heavy, fluid_c=fluid_c, **more
        )

    assert not told(95.0, engine_torque_nm=400.0)
    assert told(HOT_C_NEAR, engine_torque_nm=400.0)
    assert told(HOT_C_NEAR)  # nor does it play a part there that load is guessed


@pytest.mark.parametrize(
    ("kind", "fault", "seconds"),
    [
        ("cooler_starved", AIR, 200),
        ("cooler_starved", FLOW, 200),
        ("heat_rejection_low", LOW, 400),
    ],
)
def test_without_load_a_lack_of_cooling_is_told_when_that_is_surer(
    kind: str, fault: int, seconds: int
) -> None:
    sure, guessed = (float(PARAMS[0][kind][at]) for at in ("sure", "sure_guessed"))
    between = 0.5 * (sure + guessed)
    load = {"engine_torque_nm": 400.0}
    assert told_at(kind, fault, between, seconds=seconds, **load)
    assert not told_at(kind, fault, between, seconds=seconds)
    assert told_at(kind, fault, 0.5 * (1.0 + guessed), seconds=seconds)


def test_a_shut_valve_is_told_without_load_as_soon_as_with_it() -> None:
    sure = float(PARAMS[0]["bypass_stuck"]["sure"])
    just = sure + 0.01 * (1.0 - sure)
    for load in ({}, {"engine_torque_nm": 400.0}):
        assert told_at("bypass_stuck", SHUT, just, seconds=20, **load)


# A valve in the coolant, and whether the coolant warms the fluid or cools it.

BY_COOLANT = parameters(
    Vehicle(name="NF-01", circuit="coolant_exchanger", coolant_valve=True),
    CHART,
    max_gap_s=300.0,
    silent_after_s=900.0,
)
VALVE = "coolant_valve_stuck"
READ_C = 85.0


class Stuck:
    """A truck whose fluid was read once, and whose circuit has a stuck coolant valve, as told."""

    def __init__(self, fault: int, *, fluid_c: float = READ_C) -> None:
        self.state, self.second = blank(STATE), 0
        advance(BY_COOLANT, self.state, 0, records([pulling(0, fluid_temp_c=fluid_c)]))
        self.told(fault, 1.0 - 1e-9)

    def told(self, fault: int, probability: float) -> None:
        odds = self.state[0]["truck"]["thermal"]["p"]
        odds[:] = 0.0
        odds[[HEALTHY, fault]] = 1.0 - probability, probability

    def drive(self, coolant_c: float, seconds: int = 20) -> list[tuple[bool, int]]:
        """Drive on with no reading of the fluid, so that the odds stay; give what was told: on, urgency."""
        read = {} if math.isnan(coolant_c) else {"coolant_temp_c": coolant_c}
        ends = self.second + seconds
        samples = [pulling(second, **read) for second in range(self.second + 5, ends + 1, 5)]
        self.second = ends
        found = advance(BY_COOLANT, self.state, 0, records(samples))
        events = [one for each in found for one in each if KINDS[one["kind"]] == VALVE]
        return [(bool(one["active"]), int(one["priority"])) for one in events]


@given(fluid_c=st.floats(-30.0, 105.0), warmer_k=st.floats(0.01, 90.0))
def test_a_shut_valve_is_not_raised_while_the_coolant_would_warm_the_fluid(
    fluid_c: float, warmer_k: float
) -> None:
    assert Stuck(SHUT, fluid_c=fluid_c).drive(fluid_c + warmer_k) == []


@given(fluid_c=st.floats(60.0, 105.0), colder_k=st.floats(0.0, 60.0))
def test_it_is_once_the_coolant_would_cool_it(fluid_c: float, colder_k: float) -> None:
    assert Stuck(SHUT, fluid_c=fluid_c).drive(fluid_c - colder_k) == [(True, 3)]


def test_it_is_raised_as_soon_as_the_fluid_is_as_warm_as_the_coolant() -> None:
    truck = Stuck(SHUT)
    assert truck.drive(READ_C + 5.0) == []
    assert truck.drive(READ_C) == [(True, 3)]


def test_coolant_that_nobody_tells_is_no_reason_to_wait() -> None:
    assert Stuck(SHUT).drive(math.nan) == [(True, 3)]


@pytest.mark.parametrize("coolant_c", [READ_C - 20.0, READ_C + 5.0, math.nan])
def test_an_open_one_is_raised_whatever_the_coolant_does(coolant_c: float) -> None:
    assert Stuck(OPEN).drive(coolant_c) == [(True, 1)]


def test_one_that_was_raised_stays_when_the_coolant_gets_warmer_than_the_fluid() -> None:
    truck = Stuck(SHUT)
    assert truck.drive(READ_C - 5.0) == [(True, 3)]
    assert truck.drive(READ_C + 10.0, seconds=600) == []


def test_and_ends_there_as_anywhere_when_the_valve_moves_again() -> None:
    truck = Stuck(SHUT)
    truck.drive(READ_C - 5.0)
    truck.told(SHUT, 0.01)
    assert [on for on, _ in truck.drive(READ_C + 10.0, seconds=600)] == [False]
