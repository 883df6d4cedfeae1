"""The distance of a fill: by odometer, by speed, over gaps, from its installation."""

from __future__ import annotations

import pytest

from tests.models.fills import account_of
from tests.recorded import HOUR_MS, MINUTE_MS, NOON_MS


def drive(
    odometers: list[float | None], *, step_ms: int = MINUTE_MS, speed_km_h: float | None = None
) -> list[dict[str, float]]:
    """Record odometer readings, None where the counter is absent."""
    samples: list[dict[str, float]] = []
    for row, odometer in enumerate(odometers):
        sample = {"time_ms": float(NOON_MS + row * step_ms), "fluid_temp_c": 80.0}
        if odometer is not None:
            sample["odometer_km"] = odometer
        if speed_km_h is not None:
            sample["speed_km_h"] = speed_km_h
        samples.append(sample)
    return samples


def test_distance_is_the_difference_of_the_odometer() -> None:
    account = account_of(drive([100.0, 101.0, 102.5, 102.5]))
    assert account.distance_km == pytest.approx(2.5)
    assert account.unseen_km == 0.0


def test_distance_by_speed_where_there_is_no_odometer() -> None:
    account = account_of(drive([None] * 31, speed_km_h=60.0))
    assert account.distance_km == pytest.approx(30.0)
    assert account.unseen_km == 0.0


def test_the_odometer_corrects_what_speed_said_in_between() -> None:
    account = account_of(drive([100.0, None, None, 103.3], speed_km_h=60.0))
    assert account.distance_km == pytest.approx(3.3)


def test_the_odometer_never_takes_back_more_than_speed_gave() -> None:
    account = account_of(drive([100.0, None, None, 100.5], speed_km_h=60.0))
    assert account.distance_km == pytest.approx(0.5)


def test_a_rare_odometer_without_speed_is_believed() -> None:
    # One reading in ten minutes, at 90 km/h, and nothing else tells the distance.
    odometers: list[float | None] = [None] * 61
    for row in range(0, 61, 10):
        odometers[row] = 1000.0 + 1.5 * row
    assert account_of(drive(odometers)).distance_km == pytest.approx(90.0)


def over_a_gap(first: list[float | None], then: list[float | None]) -> list[dict[str, float]]:
    later = [{**sample, "time_ms": sample["time_ms"] + 2 * HOUR_MS} for sample in drive(then)]
    return drive(first) + later


def test_distance_over_a_gap_is_driven_and_unseen() -> None:
    account = account_of(over_a_gap([100.0, 101.0], [180.0, 181.0]))
    assert account.distance_km == pytest.approx(81.0)
    assert account.unseen_km == pytest.approx(79.0)


def test_distance_over_a_gap_is_unseen_though_the_odometer_comes_later() -> None:
    account = account_of(over_a_gap([100.0, 101.0], [None, None, 180.0, 181.0]))
    assert account.distance_km == pytest.approx(81.0)
    assert account.unseen_km == pytest.approx(79.0)


def test_a_parked_truck_drives_nothing_unseen() -> None:
    account = account_of(over_a_gap([100.0, 101.0], [101.0, 102.0]))
    assert account.distance_km == pytest.approx(2.0)
    assert account.unseen_km == 0.0


@pytest.mark.parametrize("after", [5.0, 9_000_000.0])
def test_a_counter_that_was_reset_or_jumped_is_not_believed(after: float) -> None:
    account = account_of(drive([1000.0, 1001.0, after, after + 1.0], speed_km_h=60.0))
    assert account.distance_km == pytest.approx(3.0)
    over = account_of(over_a_gap([1000.0, 1001.0], [after, after + 1.0]))
    assert over.distance_km == pytest.approx(2.0)
    assert over.unseen_km == 0.0


def test_distance_before_the_first_sample_is_known_from_the_installation() -> None:
    account = account_of(drive([1500.0, 1501.0]), installed_odometer_km=1000.0)
    assert account.distance_km == pytest.approx(501.0)
    assert account.unseen_km == pytest.approx(500.0)


def test_the_installation_counts_though_the_odometer_comes_later() -> None:
    account = account_of(
        drive([None, None, 1502.0, 1503.0], speed_km_h=60.0), installed_odometer_km=1000.0
    )
    assert account.distance_km == pytest.approx(503.0)
    assert account.unseen_km == pytest.approx(500.0)


def test_an_installation_ahead_of_the_odometer_is_not_believed() -> None:
    account = account_of(drive([900.0, 901.0]), installed_odometer_km=1000.0)
    assert account.distance_km == pytest.approx(1.0)
    assert account.unseen_km == 0.0
