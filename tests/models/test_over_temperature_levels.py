"""How hot for how long: each level, the deadband, the delays, and what is told ahead."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from models.course import run
from models.detectors.over_temperature import OVER_TEMPERATURE
from models.fleet import CHART, Fleet, Limits, Vehicle
from models.kernel import KINDS, STATE
from models.layout import blank
from models.parameters import parameters
from models.transition import Priority
from review.trucks import courses_of
from tests.recorded import NOON_MS, records

Trace = Callable[[float], float]
SEDATE = Limits(service_distance_km=1e6, service_days=1e5)
TRUCK = Vehicle(name="NF-01", limits=SEDATE)
LIMIT_C, HIGH_C, CRITICAL_C = 121.0, 127.0, 135.0
MEDIUM, HIGH, CRITICAL = Priority.MEDIUM, Priority.HIGH, Priority.CRITICAL


def judged(
    trace: Trace,
    minutes: float,
    *,
    truck: Vehicle = TRUCK,
    period_s: float = 10.0,
    resolution_k: float = 0.1,
    torque_nm: Trace = lambda _: 600.0,
) -> list[tuple[float, int, dict[str, float]]]:
    """Give each change: minutes since the start, priority from then on (0: back to normal), evidence."""
    samples = [
        {
            "time_ms": float(NOON_MS + round(1000.0 * second)),
            "fluid_temp_c": resolution_k * round(trace(second) / resolution_k),
            "engine_rpm": 1800.0,
            "speed_km_h": 50.0,
            "engine_torque_nm": torque_nm(second),
            "lockup": 1.0,
        }
        for second in np.arange(0.0, 60.0 * minutes, period_s)
    ]
    fleet = Fleet(vehicles={truck.name: truck})
    course = courses_of(fleet, max_gap_s=300.0, silent_after_s=900.0)(truck.name, ())
    return [
        (
            (int(event["time_ms"]) - NOON_MS) / 60_000.0,
            int(event["priority"]) if event["active"] else 0,
            dict(zip(OVER_TEMPERATURE.evidence, map(float, event["evidence"]), strict=False)),
        )
        for block in run(course, blank(STATE), records(samples))
        for event in block
        if event["kind"] == KINDS.index("over_temperature")
    ]


def levels(trace: Trace, minutes: float, **how: Any) -> list[tuple[float, int]]:
    return [(at, priority) for at, priority, _ in judged(trace, minutes, **how)]


def standing_at(celsius: float) -> Trace:
    return lambda _: celsius


@pytest.mark.parametrize(
    ("celsius", "minutes", "priority"),
    [
        (LIMIT_C, 10.0, MEDIUM),
        (HIGH_C, 10.0 / 2.0**0.6, HIGH),
        (131.0, 5.0, HIGH),
        (CRITICAL_C, 1.0, CRITICAL),
        (150.0, 1.0, CRITICAL),
    ],
)
@pytest.mark.parametrize("period_s", [1.0, 5.0, 10.0, 30.0])
def test_the_hotter_the_sooner_and_the_more_urgent(
    celsius: float, minutes: float, priority: Priority, period_s: float
) -> None:
    ((at, found),) = levels(standing_at(celsius), 20.0, period_s=period_s)
    assert found == priority
    assert minutes <= at <= minutes + period_s / 60.0 + 1e-6


def test_below_the_limit_nothing_is_said_however_long() -> None:
    assert levels(standing_at(LIMIT_C - 0.2), 600.0) == []


def test_an_alarm_rises_through_its_levels_and_clears_once() -> None:
    def steps(second: float) -> float:
        minute = second / 60.0
        for until, celsius in ((15.0, 123.0), (30.0, 129.0), (45.0, 137.0), (60.0, 122.0)):
            if minute < until:
                return celsius
        return 110.0

    found = levels(steps, 70.0)
    assert [priority for _, priority in found] == [MEDIUM, HIGH, CRITICAL, 0]
    assert found[-1][0] == pytest.approx(62.0, abs=0.2)


def test_the_deadband_holds_an_alarm_that_touches_its_limit() -> None:
    def touching(second: float) -> float:
        return 120.0 + 1.9 * math.sin(second / 90.0) if second > 900.0 else 123.0

    assert [priority for _, priority in levels(touching, 240.0)] == [MEDIUM]


def wave(second: float) -> float:
    """120 °C give or take 1.5 K, in periods of two minutes.

    EEMUA 191's starting values tried on it: a bare limit of 121 °C gives 10 alarms in 20 min, a deadband of
    3 K one, delays of 60 s none.
    """
    return 120.0 + 1.5 * math.sin(math.pi * second / 60.0)


def test_a_wave_about_the_limit_raises_nothing_where_a_bare_limit_would_ten_times() -> None:
    readings = np.array([wave(second) for second in np.arange(0.0, 1200.0, 10.0)]) >= LIMIT_C
    assert np.count_nonzero(readings[1:] & ~readings[:-1]) == 10
    assert levels(wave, 20.0) == []


def test_noise_below_the_limit_raises_nothing_in_a_day() -> None:
    noise = np.random.default_rng(11).normal(118.0, 1.5, 8641)
    assert levels(lambda second: float(noise[int(second / 10.0)]), 1440.0) == []


def test_one_wild_reading_raises_nothing() -> None:
    assert levels(lambda second: 400.0 if second == 600.0 else 110.0, 30.0) == []


# The reference circuit (95 kJ/K, case 30 W/K, air 30 °C) with its valve stuck shut, from 96 °C.
def stuck_shut(heat_w: float) -> Trace:
    end_c, tau_s = 30.0 + heat_w / 30.0, 95e3 / 30.0
    return lambda second: end_c + (96.0 - end_c) * math.exp(-second / tau_s)


@pytest.mark.parametrize("heat_w", [6_000.0, 12_000.0])
@pytest.mark.parametrize("period_s", [1.0, 10.0, 30.0])
@pytest.mark.parametrize("resolution_k", [0.1, 1.0])
def test_a_stuck_climb_is_told_minutes_before_it_is_critical(
    heat_w: float, period_s: float, resolution_k: float
) -> None:
    climb = stuck_shut(heat_w)
    found = judged(climb, 25.0, period_s=period_s, resolution_k=resolution_k)
    at, priority, evidence = found[0]
    critical_at = next(
        at for at in np.arange(0.0, 25.0, 0.05) if climb(60.0 * at) >= CRITICAL_C
    )
    assert priority == HIGH
    assert evidence["foreseen"] == 1.0
    assert 1.0 <= critical_at - at <= 4.5
    assert [priority for _, priority, _ in found] == [HIGH, CRITICAL]


def test_a_short_pull_foretells_nothing() -> None:
    def pull(second: float) -> float:
        return 106.0 + 8.0 * min(1.0, max(0.0, second - 600.0) / 70.0)

    assert levels(pull, 40.0, period_s=1.0) == []


def test_a_rise_that_bends_off_below_the_limit_foretells_nothing() -> None:
    assert levels(lambda second: 118.0 - 22.0 * math.exp(-second / 300.0), 60.0) == []


def test_what_was_told_ahead_goes_back_to_normal_when_the_rise_ends() -> None:
    def eased(second: float) -> float:
        return stuck_shut(12_000.0)(min(second, 330.0)) - 0.05 * max(0.0, second - 330.0)

    def torque_nm(second: float) -> float:
        return 600.0 if second < 330.0 else 50.0

    found = levels(eased, 40.0, torque_nm=torque_nm)
    assert [priority for _, priority in found] == [HIGH, 0]


@pytest.mark.parametrize("sensor", ["converter_out", "cooler_line"])
def test_beyond_the_converter_limits_are_higher_and_nothing_is_foretold(sensor: Any) -> None:
    truck = replace(TRUCK, sensor=sensor)
    assert levels(standing_at(LIMIT_C + 19.0), 60.0, truck=truck) == []
    assert levels(standing_at(LIMIT_C + 20.0), 20.0, truck=truck)[0][1] == MEDIUM
    found = judged(stuck_shut(12_000.0), 20.0, truck=truck)
    assert all(evidence["foreseen"] == 0.0 for _, _, evidence in found)


# Temperatures at which three grades of fluid thin to 4 cSt (own working from their viscosities).
@pytest.mark.parametrize(
    ("film_c", "limit_c"), [(139.0, 121.0), (124.0, 121.0), (106.0, 110.0)]
)
def test_a_thin_fluid_has_a_lower_limit(film_c: float, limit_c: float) -> None:
    fluid = replace(CHART, film_temp_c=film_c)
    made = parameters(TRUCK, fluid, max_gap_s=300.0, silent_after_s=900.0)["over_temperature"][
        0
    ]
    assert [made[name] for name in ("limit_c", "high_c", "critical_c")] == [
        limit_c,
        limit_c + 6.0,
        limit_c + 14.0,
    ]
