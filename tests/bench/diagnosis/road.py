"""One truck driven through its days: what its gateway would send, and when its fault shows.

A fault shows when a true temperature that the truck measures first differs by ``SHOWS_K`` from that of
the same truck, by the same seed, without the fault; one of the sensor, when the reading first differs by
as much from the truth.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass
from random import Random
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from models.sample import SAMPLE, SIGNAL_NAMES
from simulator.faults import Fault, apply_to_truck
from simulator.physics.truck import Truck
from simulator.routes import Segment
from simulator.sensors import FLUID, READ, Sensors
from tests.bench.diagnosis.draw import Trial
from tests.bench.diagnosis.duties import DAY_S

START_MS = 1_767_225_600_000
"""2026-01-01T00:00:00Z."""

SHOWS_K = 2.0
"""Difference from the same truck without the fault from which that shows [K]; own choice, several times the
sensors' noise."""

PLAIN_K = 10.0
"""Difference from which it is plain [K]; own choice, more than trucks of a class differ by."""

HOT_C = 130.0
"""Fluid that hot is being spent [°C]."""

PARKED_STEP_S = 20
"""Step with the engine off [s]: nothing flows, and the fastest node takes minutes."""

PARKED = Segment(duration_s=math.inf, engine_on=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """Samples ``SAMPLE``, shape (n,); when the fault shows and is plain (None: never); ``hot_s``:
    seconds in which the sump was above ``HOT_C``, shape (m,)."""

    samples: NDArray[Any]
    shows_s: int | None
    plain_s: int | None
    hot_s: NDArray[np.int64]


class Step(NamedTuple):
    """From ``now_s`` on for ``span_s`` [s]; ``heard``: the gateway is awake."""

    now_s: int
    span_s: int
    segment: Segment
    heard: bool


class _Road:
    """The truck, from its fault on the same without it, and what was read."""

    def __init__(self, trial: Trial) -> None:
        plan, seed = trial.plan, f"{trial.seed}/{trial.number}"
        self._trial = trial
        self._fault = trial.fault
        self.truck = Truck(
            plan.spec,
            weather=trial.weathers[0],
            start_s=START_MS / 1000.0 + trial.drives[0].start_s,
            rng=Random(f"{seed}/road"),
        )
        self.sensors = Sensors(plan.fit, plan.faults, Random(f"{seed}/sensors"))
        self.twin: Truck | None = None
        self.rows: list[tuple[float, ...]] = []
        self.hot: list[int] = []
        self.shows_s: int | None = None
        self.plain_s: int | None = None
        self._in_truck = tuple(fault for fault in plan.faults if fault.place == "truck")
        self._fluid = FLUID[plan.fit.position]
        self._watched = watched(trial)

    def weather(self, day: int) -> None:
        for truck in (self.truck, self.twin):
            if truck is not None:
                truck.weather = self._trial.weathers[day]

    def step(self, now_s: int, dt_s: int, segment: Segment) -> None:
        """Go on to ``now_s + dt_s``."""
        if self._in_truck:
            self._fail(now_s)
        step_truck(self.truck, now_s, dt_s, segment)
        if self.twin is not None:
            step_truck(self.twin, now_s, dt_s, segment)
            self._compare(self.twin, now_s)
        if segment.engine_on and self.truck.thermal.sump_c > HOT_C:
            self.hot.append(now_s)

    def _fail(self, now_s: int) -> None:
        begun = self._fault is not None and now_s >= self._fault.since_s
        if begun and self.twin is None and self.plain_s is None:
            self.twin = deepcopy(self.truck)
        apply_to_truck(self._in_truck, now_s, self.truck.effects)

    def _compare(self, twin: Truck, now_s: int) -> None:
        self._differ(max(abs(read(self.truck) - read(twin)) for read in self._watched), now_s)
        if self.plain_s is not None:
            self.twin = None

    def _differ(self, by_k: float, now_s: int) -> None:
        if self.shows_s is None and by_k >= SHOWS_K:
            self.shows_s = now_s
        if self.plain_s is None and by_k >= PLAIN_K:
            self.plain_s = now_s

    def read(self, now_s: int) -> None:
        """Take a sample."""
        signals = self.sensors.read(self.truck, now_s)
        if not signals:
            return
        self.rows.append(
            (
                float(START_MS + 1000 * now_s),
                *(float(signals.get(name, math.nan)) for name in SIGNAL_NAMES),
            )
        )
        if _spoilt(self._fault, now_s) and "fluid_temp_c" in signals:
            self._differ(abs(float(signals["fluid_temp_c"]) - self._fluid(self.truck)), now_s)


def _spoilt(fault: Fault | None, now_s: int) -> bool:
    return fault is not None and fault.place == "sensor" and now_s >= fault.since_s


def watched(trial: Trial) -> tuple[Callable[[Truck], float], ...]:
    """Give the true temperatures that the truck measures."""
    lines = ("cooler_out_temp_c", "cooler_return_temp_c")
    fit = trial.plan.fit
    return (FLUID[fit.position], *(READ[name] for name in lines if name in fit.signals))


def step_truck(truck: Truck, now_s: int, dt_s: int, segment: Segment) -> None:
    """Step one truck on the trial's clock."""
    truck.step(
        dt_s,
        START_MS / 1000.0 + now_s,
        target_m_s=segment.speed_km_h / 3.6,
        grade_pct=segment.grade_pct,
        trailer_kg=segment.trailer_kg,
        engine_on=segment.engine_on,
    )


def steps(trial: Trial) -> Iterator[Step]:
    """Give the steps of a truck through all its days, at rest in longer ones once the gateway sleeps."""
    linger_s = round(trial.plan.gateway.linger_s)
    ends = [drive.start_s for drive in trial.drives[1:]]
    for drive, next_s in zip(trial.drives, [*ends, trial.days * DAY_S], strict=True):
        now_s = drive.start_s
        for segment in drive.segments:
            for _ in range(round(segment.duration_s or 0.0)):
                yield Step(now_s, 1, segment, heard=True)
                now_s += 1
        for _ in range(min(linger_s, next_s - now_s)):
            yield Step(now_s, 1, PARKED, heard=True)
            now_s += 1
        while now_s < next_s:
            span_s = min(PARKED_STEP_S, next_s - now_s)
            yield Step(now_s, span_s, PARKED, heard=False)
            now_s += span_s


def record(trial: Trial) -> Recording:
    """Drive all days of a truck."""
    road = _Road(trial)
    period_s = trial.plan.fit.period_s
    starts = {drive.start_s for drive in trial.drives}
    for step in steps(trial):
        if step.now_s in starts:
            road.weather(step.now_s // DAY_S)
        road.step(step.now_s, step.span_s, step.segment)
        end_s = step.now_s + step.span_s
        if step.heard and end_s % period_s == 0:
            road.read(end_s)
    return _recording(road)


def _recording(road: _Road) -> Recording:
    table = np.array(road.rows, dtype=np.float64).reshape(-1, 1 + len(SIGNAL_NAMES))
    samples = np.zeros(len(table), SAMPLE)
    samples["time_ms"] = table[:, 0].astype(np.int64)
    for column, name in enumerate(SIGNAL_NAMES, start=1):
        samples[name] = table[:, column]
    return Recording(
        samples=samples,
        shows_s=road.shows_s,
        plain_s=road.plain_s,
        hot_s=np.array(road.hot, dtype=np.int64),
    )
