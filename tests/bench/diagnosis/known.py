"""The same truck with the same fault, but known for longer: sound days put before those of its trial."""

from __future__ import annotations

from dataclasses import replace
from random import Random
from statistics import fmean

from simulator.faults import Fault
from simulator.physics.weather import Weather
from simulator.random_fleet import TRAILER_KG
from tests.bench.diagnosis.draw import Trial, day_of
from tests.bench.diagnosis.duties import DAY_S, Drive, random_days


def known_for(trial: Trial, days: int) -> Trial:
    """Let a truck be driven so many days more before its own days begin, on the same kind of road and in the
    same climate; a signal that never came has not come then either."""
    if days == 0:
        return trial
    rng = Random(f"{trial.seed}/{trial.number}/known")
    before = random_days(
        rng,
        days=days,
        terrain=trial.terrain,
        trailer_kg=TRAILER_KG[trial.plan.registration.truck_class],
    )
    later_s = days * DAY_S
    return replace(
        trial,
        days=days + trial.days,
        plan=replace(
            trial.plan, faults=tuple(_later(fault, later_s) for fault in trial.plan.faults)
        ),
        weathers=(*_weathers(rng, trial, days), *trial.weathers),
        drives=(*before, *(_driven_later(drive, later_s) for drive in trial.drives)),
    )


def _later(fault: Fault, by_s: int) -> Fault:
    return replace(fault, since_s=fault.since_s + by_s)


def _driven_later(drive: Drive, by_s: int) -> Drive:
    return replace(drive, start_s=drive.start_s + by_s, end_s=drive.end_s + by_s)


def _weathers(rng: Random, trial: Trial, days: int) -> tuple[Weather, ...]:
    mean_c = fmean(weather.mean_c for weather in trial.weathers)
    swing_c = trial.weathers[0].swing_c
    return tuple(day_of(rng, mean_c, swing_c) for _ in range(days))
