"""The trucks of the benchmark, and a very short run of it from end to end."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from simulator.faults import Fault
from simulator.physics.truck import Truck
from simulator.sensors import BASIC
from tests.bench.diagnosis.draw import (
    BY_LABEL,
    DAYS,
    HIGHEST_C,
    KINDS,
    LOWEST_C,
    MISSING,
    REPORTED_SEED,
    TUNING_SEED,
    Trial,
    trial,
)
from tests.bench.diagnosis.duties import DAY_S, DRIVES_A_DAY
from tests.bench.diagnosis.judge import cannot_have
from tests.bench.diagnosis.known import known_for
from tests.bench.diagnosis.measure import tasks
from tests.bench.diagnosis.road import record

ROOT = Path(__file__).parents[2]
DRAWN = tuple(trial(REPORTED_SEED, number) for number in range(500))


def test_trucks_to_tune_on_are_not_those_of_the_report() -> None:
    assert TUNING_SEED != REPORTED_SEED
    assert trial(TUNING_SEED, 1) != trial(REPORTED_SEED, 1)
    assert trial(REPORTED_SEED, 1) == trial(REPORTED_SEED, 1)


def test_the_trucks_cover_what_the_benchmark_is_for() -> None:
    plans = [one.plan for one in DRAWN]
    assert {plan.registration.circuit for plan in plans} == {
        "thermostatic_bypass",
        "full_flow",
        "coolant_exchanger",
        "radiator_tank",
    }
    tanks = [p for p in plans if p.registration.circuit == "radiator_tank"]
    assert {plan.registration.air_cooler for plan in tanks} == {False, True}
    assert {plan.spec.thermal.air_cooler_ua_w_k > 0.0 for plan in tanks} == {False, True}
    exchangers = [p for p in plans if p.registration.circuit == "coolant_exchanger"]
    assert {plan.registration.coolant_valve for plan in exchangers} == {False, True}
    assert {plan.registration.truck_class for plan in plans} == {"pickup", "medium", "heavy"}
    assert {plan.fit.period_s for plan in plans} == {1, 5, 10, 30}
    assert {plan.fit.sensors["fluid_temp_c"].resolution for plan in plans} == {0.1, 1.0}
    assert {one.label for one in DRAWN} == {"", *BY_LABEL}
    assert any(not one.whole for one in DRAWN)
    assert {drive.loaded for one in DRAWN for drive in one.drives} == {False, True}
    missing = {name for one in DRAWN for name in BASIC if name not in one.plan.fit.signals}
    assert {"gear", "lockup", "ambient_temp_c", "engine_load_pct", "coolant_temp_c"} == missing
    assert {fault.kind for one in DRAWN for fault in one.plan.faults} >= set(MISSING)
    assert {one.fault.ramp_s > 0.0 for one in DRAWN if one.fault} == {False, True}


def test_no_truck_has_a_fault_that_its_circuit_cannot_have() -> None:
    for one in DRAWN:
        told, fault = one.plan.registration, one.fault
        kinds = set() if fault is None else BY_LABEL[one.label].named
        assert not kinds & cannot_have(told)
        if fault is not None and fault.kind == "cooler_starved":
            assert told.circuit in ("thermostatic_bypass", "full_flow") or told.air_cooler


def test_the_climates_reach_their_bounds_and_no_further() -> None:
    days = [day for one in DRAWN for day in one.weathers]
    coldest = min(day.mean_c - day.swing_c for day in days)
    hottest = max(day.mean_c + day.swing_c for day in days)
    assert LOWEST_C - 1e-9 <= coldest <= LOWEST_C + 2.0
    assert HIGHEST_C - 2.0 <= hottest <= HIGHEST_C + 1e-9


def test_days_are_whole_and_drives_apart() -> None:
    for one in DRAWN:
        assert len(one.drives) == DAYS * DRIVES_A_DAY
        for before, after in zip(one.drives, one.drives[1:], strict=False):
            assert before.end_s < after.start_s
        assert one.drives[-1].end_s < DAYS * 86_400
        assert all(drive.segments[-1].speed_km_h == 0.0 for drive in one.drives)
    hours = [sum(d.end_s - d.start_s for d in one.drives) / 3600.0 / DAYS for one in DRAWN]
    assert 2.0 <= float(np.quantile(hours, 0.05)) <= float(np.quantile(hours, 0.95)) <= 4.0


def test_a_fault_leaves_drives_to_find_it_in() -> None:
    for one in DRAWN:
        fault = one.fault
        if fault is not None:
            assert sum(drive.start_s > fault.since_s for drive in one.drives) >= 4


def test_so_many_days_take_so_many_trucks() -> None:
    assert len(tasks(1, 20)) == 5
    assert len(tasks(1, 21)) == 6
    assert {task.healthy_share for task in tasks(1, 8, healthy=True)} == {1.0}
    assert [task.known_days for task in tasks(1, 2 * 34, known_days=30)] == [30, 30]


def test_a_truck_that_is_known_is_the_same_truck_with_the_same_fault_later() -> None:
    for one in DRAWN[:100]:
        known = known_for(one, 30)
        assert known.days == 30 + DAYS
        assert len(known.drives) == (30 + DAYS) * DRIVES_A_DAY
        for before, after in zip(known.drives, known.drives[1:], strict=False):
            assert before.end_s < after.start_s
        own = known.drives[-len(one.drives) :]
        assert [drive.start_s - 30 * DAY_S for drive in own] == [d.start_s for d in one.drives]
        assert [drive.segments for drive in own] == [drive.segments for drive in one.drives]
        assert known.weathers[30:] == one.weathers
        assert replace(known.plan, faults=()) == replace(one.plan, faults=())
        later = [
            replace(fault, since_s=fault.since_s - 30 * DAY_S) for fault in known.plan.faults
        ]
        assert later == list(one.plan.faults)
        assert known_for(one, 0) is one


def test_the_days_before_are_of_the_same_climate_and_not_all_alike() -> None:
    for one in DRAWN[:100]:
        before = known_for(one, 30).weathers[:30]
        means = [day.mean_c for day in before]
        assert {day.swing_c for day in before} == {one.weathers[0].swing_c}
        assert len(set(means)) > 1
        own = float(np.mean([day.mean_c for day in one.weathers]))
        assert abs(float(np.mean(means)) - own) < 2.5


def _first(label: str, **circumstances: Any) -> Trial:
    """Give the first truck with a fault, made to begin at once and shortened to its first day."""
    one = next(one for one in DRAWN if one.label == label)
    kind = BY_LABEL[label]
    since_s = float(one.drives[0].start_s + 2_000)
    fault = Fault(kind=kind.fault, since_s=since_s, size=kind.high)
    plan = replace(one.plan, faults=(fault,))
    return replace(one, plan=plan, drives=one.drives[:2], **circumstances)


def test_a_bias_shows_at_once_and_is_plain() -> None:
    one = _first("sensor bias")
    fault = one.fault
    assert fault is not None
    found = record(one)
    assert found.shows_s is not None
    assert 0 <= found.shows_s - fault.since_s <= 120
    assert found.plain_s == found.shows_s  # 15 K


def test_without_a_fault_nothing_shows() -> None:
    one = next(one for one in DRAWN if not one.label)
    found = record(replace(one, drives=one.drives[:1]))
    assert (found.shows_s, found.plain_s) == (None, None)


def test_slip_shows_before_it_is_plain_and_both_after_it_began() -> None:
    one = _first("lockup slip")
    fault = one.fault
    assert fault is not None
    found = record(one)
    assert found.shows_s is not None
    assert found.plain_s is not None
    assert fault.since_s <= found.shows_s < found.plain_s


def test_a_fault_that_does_nothing_never_shows(monkeypatch: pytest.MonkeyPatch) -> None:
    # The twin is driven for its own: only what the fault does may part it from the truck.
    one = _first("starved by half")
    nothing = replace(one.plan.faults[0], size=0.0)
    steps: list[Truck] = []
    stepped = Truck.step

    def step(truck: Truck, *given: Any, **named: Any) -> None:
        steps.append(truck)
        stepped(truck, *given, **named)

    monkeypatch.setattr(Truck, "step", step)
    found = record(replace(one, plan=replace(one.plan, faults=(nothing,))))
    assert len({id(truck) for truck in steps}) == 2
    assert (found.shows_s, found.plain_s) == (None, None)


def _run(*arguments: str) -> str:
    done = subprocess.run(  # noqa: S603
        [sys.executable, "-m", "tests.bench.diagnosis", "--tuning", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=240,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_a_short_run_scores_every_judge() -> None:
    scores: Mapping[str, Any] = json.loads(_run("--days", "20", "--json"))
    assert scores["seed"] == TUNING_SEED
    assert scores["truck_days"] == 20
    assert len(scores["trucks"]) == 5
    assert (
        set(scores["rows"])
        == {"detectors", "fixed limit", "CUSUM"}
        == set(scores["false_alarms"])
    )
    labels = [row["label"] for row in scores["rows"]["CUSUM"]]
    assert labels == [kind.label for kind in KINDS]
    shown = sum(row["detected"]["of"] for row in scores["rows"]["CUSUM"])
    counted = scores["confusion"].values()
    assert sum(sum(row.values()) for row in counted) == shown + scores["healthy"]
    assert scores["stated"]["count"] > 0


def test_the_table_is_printed() -> None:
    text = _run("--days", "4", "--jobs", "1")
    assert text.startswith("bench.diagnosis: seed 41 (tuning), 4 truck-days")
    for part in ("| asked |", "| fault | shown |", "| truth |", "| judge |", "Brier score"):
        assert part in text
