"""Alarms of the cooling circuit where the fluid is read more rarely than the rest."""

from __future__ import annotations

from typing import Any

import pytest

from models.detectors import DETECTORS
from models.fleet import CHART, Vehicle
from models.hypotheses import AIR, FLOW, HEALTHY, SHUT
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


def raised(kind: str, state: Any, samples: list[Sample]) -> list[Any]:
    found = advance(PARAMS, state, 0, records(samples))
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
