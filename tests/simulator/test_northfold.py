"""The demo day does what its table says."""

import json
import tomllib
from collections import defaultdict
from typing import Any

import pytest

from simulator.capture import fleet_messages
from simulator.northfold import (
    BYPASS_STICKS_S,
    DAY_S,
    EVENTS,
    SILENT_SINCE_S,
    SILENT_UNTIL_S,
    START_MS,
    fleet_file,
    northfold,
)
from simulator.plan import fleet_toml

Heard = list[tuple[int, dict[str, Any]]]


@pytest.fixture(scope="module")
def day() -> dict[str, Heard]:
    """Every sample by truck, each with the index of the message that brought it."""
    heard: dict[str, Heard] = defaultdict(list)
    messages = fleet_messages(northfold(), start_ms=START_MS, duration_s=float(DAY_S), seed=1)
    for index, message in enumerate(messages):
        _, vehicle, kind = message.topic.split("/")
        if kind == "telemetry":
            value = json.loads(message.payload)
            for sample in value if isinstance(value, list) else [value]:
                heard[vehicle].append((index, sample))
    return heard


def _seconds(sample: dict[str, Any]) -> float:
    hours, minutes, seconds = sample["time"][11:-1].split(":")
    return (int(hours) - 6) * 3600.0 + int(minutes) * 60.0 + float(seconds)


def _temps(heard: Heard) -> list[tuple[float, float]]:
    return sorted((_seconds(sample), sample["fluid_temp_c"]) for _, sample in heard)


def test_there_are_at_least_nine_trucks_and_the_file_names_them() -> None:
    names = [plan.vehicle for plan in northfold().plans]
    assert len(names) >= 9
    assert list(tomllib.loads(fleet_file())["vehicles"]) == names
    assert tomllib.loads(fleet_toml(northfold())) == tomllib.loads(fleet_file())


def test_every_truck_reports(day: dict[str, Heard]) -> None:
    assert set(day) == {plan.vehicle for plan in northfold().plans}


def test_the_bypass_sticks_and_cooks_the_truck_within_two_hours(day: dict[str, Heard]) -> None:
    temps = _temps(day["NF-03"])
    before = [temp for at, temp in temps if at < BYPASS_STICKS_S]
    assert max(before) < 95.0
    assert max(before) > 84.0  # the valve has shown that it works
    first = next(at for at, temp in temps if temp > 135.0)
    assert BYPASS_STICKS_S < first < 2 * 3600.0
    assert sum(temp > 135.0 for _, temp in temps) * 10 > 8 * 60


def test_the_overload_is_long_hot_and_over(day: dict[str, Heard]) -> None:
    temps = _temps(day["NF-05"])
    hot = [at for at, temp in temps if temp > 125.0]
    event = next(event for event in EVENTS if event.vehicle == "NF-05")
    assert event.since_s < hot[0]
    assert hot[-1] < event.until_s < 6 * 3600.0
    assert hot[-1] - hot[0] > 15 * 60.0
    assert max(temp for _, temp in temps) < 141.0
    after = [temp for at, temp in temps if hot[-1] + 900.0 < at]
    assert max(after) < 100.0


def test_the_service_falls_due_in_the_day(day: dict[str, Heard]) -> None:
    registration = next(
        plan for plan in northfold().plans if plan.vehicle == "NF-07"
    ).registration
    due_km = registration.installed_odometer_km + registration.limits["service_distance_km"]
    track = sorted((_seconds(sample), sample["odometer_km"]) for _, sample in day["NF-07"])
    crossed = next(at for at, km in track if km >= due_km)
    assert 2 * 3600.0 < crossed < 6 * 3600.0
    event = next(event for event in EVENTS if event.vehicle == "NF-07")
    assert crossed == pytest.approx(event.since_s, abs=300.0)


def test_the_silent_gateway_loses_nothing(day: dict[str, Heard]) -> None:
    heard = day["NF-08"]
    assert [sample["seq"] for _, sample in heard] == list(range(1, len(heard) + 1))
    silent = [
        (index, sample)
        for index, sample in heard
        if SILENT_SINCE_S < _seconds(sample) < SILENT_UNTIL_S
    ]
    assert len(silent) == pytest.approx(720, abs=2)
    assert max(sample["speed_km_h"] for _, sample in silent) > 60.0
    others = [
        index for index, sample in day["NF-01"] if _seconds(sample) < SILENT_UNTIL_S - 60.0
    ]
    assert min(index for index, _ in silent) > max(others)


def test_the_rest_of_the_fleet_is_healthy(day: dict[str, Heard]) -> None:
    for vehicle in set(day) - {"NF-03", "NF-05"}:
        temps = [sample.get("fluid_temp_c", 0.0) for _, sample in day[vehicle]]
        assert max(temps) < 112.0
