"""What a truck's days cost: the ring of days, and the rates that unseen driving is charged at."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from models.account import equivalent_s
from models.ageing import rate
from models.habits import DAYS, PRIOR_KM, PRIOR_RUN_S, per_km_s, per_run_s
from models.kernel import advance
from models.parameters import TYPICAL_C, TYPICAL_KM_H
from models.travel import distance_km
from tests.models.entries import count, entry, parts
from tests.models.fills import fill_params, run
from tests.models.roads import DAY_MS, FIRST_DAY, FIRST_MS, START_KM, days_out
from tests.recorded import records

PARAMS = fill_params(fluid_total_l=12.0)


def on(ring: Any, day: int) -> float:
    return float(ring[(FIRST_DAY + day) % DAYS])


def test_each_day_has_its_distance_and_its_heat() -> None:
    own, account = parts(PARAMS, run(PARAMS, days_out([120.0, 0.0, 60.0, 240.0])))
    habits = account.habits
    assert (habits.first_day, habits.day) == (FIRST_DAY, FIRST_DAY + 3)
    assert [on(habits.km, day) for day in range(4)] == pytest.approx([120.0, 0.0, 60.0, 240.0])
    assert habits.km.sum() == pytest.approx(distance_km(account.travel))
    assert habits.equivalent_s.sum() == pytest.approx(equivalent_s(own, account))
    by_driving = 2.0 * 3600.0 * rate(own.ageing, 95.0)
    assert on(habits.equivalent_s, 0) == pytest.approx(by_driving, rel=1e-6)
    # What the hot fluid went on ageing over two nights is known when the truck starts again.
    assert on(habits.equivalent_s, 1) == 0.0
    assert on(habits.equivalent_s, 2) > 0.5 * by_driving


def test_what_was_driven_unseen_falls_on_the_day_the_gap_ended() -> None:
    state = run(PARAMS, days_out([120.0]))
    later = days_out([120.0], first_day=3, start_km=START_KM + 620.0)
    advance(PARAMS, state, 0, records(later))
    own, account = parts(PARAMS, state)
    habits = account.habits
    assert account.travel.fluid_unseen_km == pytest.approx(500.0, abs=1.0)
    assert [on(habits.km, day) for day in range(4)] == pytest.approx([120.0, 0.0, 0.0, 620.0])
    assert habits.seen_km == pytest.approx(240.0)
    unseen_s = account.travel.fluid_unseen_km * per_km_s(own.habits, habits)
    assert on(habits.equivalent_s, 3) > 0.9 * unseen_s


def test_months_before_the_first_sample_are_no_day() -> None:
    driven = run(PARAMS, days_out([120.0, 60.0]), installed_odometer_km=START_KM - 9_000.0)
    _, account = parts(PARAMS, driven)
    assert distance_km(account.travel) == pytest.approx(9_180.0)
    assert [on(account.habits.km, day) for day in (0, 1)] == pytest.approx([120.0, 60.0])


def test_a_day_is_forgotten_after_twelve_weeks() -> None:
    late = [120.0, *[0.0] * (DAYS - 1), 60.0]
    _, account = parts(PARAMS, run(PARAMS, days_out(late)))
    assert account.habits.km.sum() == pytest.approx(60.0)
    _, account = parts(PARAMS, run(PARAMS, days_out([*late[:-2], 60.0])))
    assert account.habits.km.sum() == pytest.approx(180.0)
    _, account = parts(PARAMS, run(PARAMS, days_out([120.0, *[0.0] * 400, 60.0])))
    assert account.habits.km.sum() == pytest.approx(60.0)


@pytest.mark.parametrize(
    ("kind", "numbers"),
    [
        ("pan_drop", {"volume_l": 4.5}),
        ("exchange", {}),
        ("install", {"life_used": 0.3}),
        ("fluid_change", {}),
        ("sample", {"antioxidant": 0.5, "antioxidant_sd": 0.05}),
    ],
)
def test_what_an_entry_does_to_the_sums_is_no_days_use(
    kind: str, numbers: dict[str, float]
) -> None:
    serviced, left_alone = (run(PARAMS, days_out([120.0, 120.0])) for _ in range(2))
    entered_ms = FIRST_MS + 2 * DAY_MS
    written = entry(kind, entered_ms, epoch=0, odometer_km=START_KM + 240.0, **numbers)
    count(PARAMS, serviced, written)
    for state in (serviced, left_alone):
        later = days_out([120.0], first_day=2, start_km=START_KM + 240.0)
        advance(PARAMS, state, 0, records(later))
    _, account = parts(PARAMS, serviced)
    _, other = parts(PARAMS, left_alone)
    assert account.habits.km == pytest.approx(other.habits.km)
    # A new fill begins with the next sample: the night before is not charged to it.
    assert np.all(account.habits.equivalent_s <= other.habits.equivalent_s + 1e-6)
    assert on(account.habits.equivalent_s, 2) >= 2.0 * 3600.0


def test_of_a_new_truck_little_is_assumed_and_its_own_rate_takes_over() -> None:
    own, account = parts(PARAMS, run(PARAMS, days_out([1.0])))
    typical = rate(own.ageing, TYPICAL_C)
    assert own.habits.equivalent_s_per_run_s == typical
    assert own.habits.equivalent_s_per_km == pytest.approx(typical * 3600.0 / TYPICAL_KM_H)
    assert per_km_s(own.habits, account.habits) == pytest.approx(
        own.habits.equivalent_s_per_km, rel=0.02
    )
    own, account = parts(PARAMS, run(PARAMS, days_out([PRIOR_KM], celsius=110.0)))
    habits = account.habits
    seen = rate(own.ageing, 110.0)
    assert habits.seen_run_s == pytest.approx(PRIOR_KM * 60.0)
    assert per_km_s(own.habits, habits) == pytest.approx(
        0.5 * (own.habits.equivalent_s_per_km + seen * 60.0)
    )
    weight = habits.seen_run_s / (habits.seen_run_s + PRIOR_RUN_S)
    assert per_run_s(own.habits, habits) == pytest.approx(
        weight * seen + (1.0 - weight) * typical
    )
