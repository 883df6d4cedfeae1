"""The engine hour counter as a witness."""

from __future__ import annotations

import math
from typing import Any

import pytest

from models.hours import TELLS_S, TICK_S, Hours, ran_s, take
from models.layout import blank, dtype_of, record

HOUR_S = 3600.0


def hours(reading_h: float, run_s: float = 0.0) -> Any:
    told = record(blank(dtype_of(Hours)))
    take(told, reading_h)
    told.run_s = run_s
    return told


@pytest.mark.parametrize(
    ("run_s", "reading_h", "ran"),
    [
        (0.0, 52.0, 2.0 * HOUR_S),
        (
            0.5 * HOUR_S,
            52.0,
            1.5 * HOUR_S,
        ),  # what samples saw since the reading is no part of it
        (0.0, 55.02, 5.0 * HOUR_S),  # no longer than the silence
        (0.0, 50.05, 0.0),  # one tick is none
        (0.5 * HOUR_S, 50.0, 0.0),
        (0.0, 50.0, 0.0),
    ],
)
def test_running_time_in_a_silence_of_five_hours(
    run_s: float, reading_h: float, ran: float
) -> None:
    assert ran_s(hours(50.0, run_s), reading_h, 5.0 * HOUR_S) == pytest.approx(ran)


@pytest.mark.parametrize("reading_h", [3.0, 49.9, 56.0, 9000.0])
def test_another_counter_does_not_tell(reading_h: float) -> None:
    assert math.isnan(ran_s(hours(50.0), reading_h, 5.0 * HOUR_S))


def test_no_reading_before_does_not_tell() -> None:
    assert math.isnan(ran_s(record(blank(dtype_of(Hours))), 50.0, 5.0 * HOUR_S))


def test_a_short_silence_shows_running_but_no_standing() -> None:
    assert math.isnan(ran_s(hours(50.0), 50.0, TELLS_S))
    assert ran_s(hours(50.0), 50.0, TELLS_S + 1.0) == 0.0
    assert ran_s(hours(50.0), 50.1, TELLS_S) == pytest.approx(2.0 * TICK_S)
