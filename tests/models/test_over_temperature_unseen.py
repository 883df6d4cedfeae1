"""An alarm for hot fluid ends when the fluid is seen to have cooled, not when it is not seen."""

from __future__ import annotations

from collections.abc import Iterable

from models.kernel import KINDS, STATE, advance
from models.layout import blank
from tests.models.fills import fill_params
from tests.recorded import NOON_MS, Sample, records

KIND = KINDS.index("over_temperature")


def _stretch(start_s: float, end_s: float, **signals: float) -> list[Sample]:
    """Record one sample each 10 s."""
    return [
        {"time_ms": NOON_MS + 1000 * second, **signals}
        for second in range(round(start_s), round(end_s), 10)
    ]


def _found(samples: Iterable[Sample]) -> list[tuple[int, bool, float]]:
    """Give each transition: seconds since the start, active, fluid as the evidence has it."""
    events = advance(fill_params(), blank(STATE), 0, records(samples))
    return [
        (
            (int(event["time_ms"]) - NOON_MS) // 1000,
            bool(event["active"]),
            float(event["evidence"][0]),
        )
        for block in events
        for event in block
        if event["kind"] == KIND
    ]


HOT = _stretch(0, 600, fluid_temp_c=140.0)
RAISED = (70, True, 140.0)


def test_a_gap_that_ends_as_hot_as_it_began_ends_nothing() -> None:
    again = _stretch(1200, 1800, fluid_temp_c=141.0)
    assert _found(HOT + again) == [RAISED]


def test_a_gap_that_ends_cool_ends_the_alarm() -> None:
    cool = _stretch(1200, 1300, fluid_temp_c=80.0)
    assert _found(HOT + cool) == [RAISED, (1200, False, 80.0)]


def test_a_sensor_that_falls_silent_does_not_call_the_fluid_cool() -> None:
    blind = _stretch(600, 3000, speed_km_h=70.0)
    assert _found(HOT + blind) == [RAISED]
    cool = _stretch(3000, 3200, fluid_temp_c=80.0)
    assert _found(HOT + blind + cool)[1:] == [(3120, False, 80.0)]


def test_a_gap_alone_raises_nothing() -> None:
    warm = _stretch(0, 40, fluid_temp_c=140.0)
    assert _found(warm + _stretch(400, 440, fluid_temp_c=140.0)) == []


def test_the_end_is_told_with_the_last_reading_even_between_readings() -> None:
    cooled = _stretch(600, 610, fluid_temp_c=90.0) + _stretch(610, 800, speed_km_h=0.0)
    assert _found(HOT + cooled) == [RAISED, (720, False, 90.0)]
