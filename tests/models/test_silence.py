"""A truck that was moving and then sent nothing."""

from __future__ import annotations

import pytest

from models.kernel import KINDS, STATE, advance
from models.layout import blank
from models.silence import KIND, trailing_onset_ms
from tests.models.fills import fill_params
from tests.recorded import NOON_MS, Sample, records


def silences(samples: list[Sample]) -> list[tuple[int, int, float]]:
    """Give (seconds after the start, 1 active or 0 normal, minutes quiet) of each event."""
    events = advance(fill_params(), blank(STATE), 0, records(samples))
    return [
        (
            (int(event["time_ms"]) - NOON_MS) // 1000,
            int(event["active"]),
            float(event["evidence"][0]),
        )
        for block in events
        for event in block
        if KINDS[int(event["kind"])] == KIND
    ]


def moving(second: int, speed_km_h: float) -> Sample:
    return {"time_ms": NOON_MS + second * 1000, "speed_km_h": speed_km_h}


def test_a_gap_after_driving_is_one_whole_episode() -> None:
    found = silences([moving(0, 60), moving(10, 60), moving(1810, 50)])
    assert found == [(910, 1, 30.0), (1810, 0, 30.0)]


def test_a_gap_after_standing_is_parking() -> None:
    assert silences([moving(0, 60), moving(10, 0), moving(90_000, 50)]) == []


@pytest.mark.parametrize(("gap_s", "found"), [(900, 0), (901, 2)])
def test_the_time_a_moving_truck_may_be_quiet(gap_s: int, found: int) -> None:
    assert len(silences([moving(0, 60), moving(gap_s, 60)])) == found


def test_the_episode_carries_its_onset() -> None:
    samples = records([moving(0, 60), moving(2000, 60)])
    (block,) = advance(fill_params(), blank(STATE), 0, samples)
    assert set(block["onset_ms"]) == {NOON_MS + 900_000}
    assert set(block["priority"]) == {2}


def test_a_silence_that_still_goes_on() -> None:
    def onset(now_s: int, *, was_moving: bool = True) -> int | None:
        now_ms = NOON_MS + now_s * 1000
        return trailing_onset_ms(
            NOON_MS, moving=was_moving, silent_after_s=900.0, now_ms=now_ms
        )

    assert onset(900) is None
    assert onset(901) == NOON_MS + 900_000
    assert onset(90_000) == NOON_MS + 900_000
    assert onset(90_000, was_moving=False) is None
