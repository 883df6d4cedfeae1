"""One truck beside the same truck without its fault, and beside ones that differ a little from it.

All are driven together by one seed. What the fault adds to each reading is the difference to the truck
without it; what an unknown value of the truck can mimic is the difference when that value is one standard
deviation off.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from itertools import takewhile
from random import Random

import numpy as np
from numpy.typing import NDArray

from simulator.faults import apply_to_truck
from simulator.physics.thermal import ThermalSpec
from simulator.physics.truck import Truck, TruckSpec
from tests.bench.diagnosis.draw import Trial
from tests.bench.diagnosis.duties import DAY_S
from tests.bench.diagnosis.road import (
    HOT_C,
    PLAIN_K,
    SHOWS_K,
    START_MS,
    Step,
    step_truck,
    steps,
    watched,
)
from tests.bench.diagnosis.score import HOT_MOST_S

BIN_S = 60
"""Readings are put together over this time [s]: short beside all that the fluid does."""

READ_S = 5
"""Trucks that are read more often are looked at this often [s]; their readings count in full."""

AIR_SD_K = 2.0
AIR_UNKNOWN_SD_K = 8.0
"""How far the air at the truck may be from what is told, and from a guess where nothing is told [K]; own
choice: twice as much hides a cold fault that is half as large again."""

RATIO_SD = 0.03
"""How far the engine's speed may be from what road speed and gear say before it is learned [-]; own choice:
tyres and their wear."""

SPEED_SD_KM_H = 0.15
RPM_SD = 4.0
"""Noise of road speed [km/h] and engine speed [1/min], as the simulator's sensors have it."""


def _scaled(**factors: float) -> Callable[[TruckSpec], TruckSpec]:
    def change(spec: TruckSpec) -> TruckSpec:
        thermal = spec.thermal
        told = {name: getattr(thermal, name) * factor for name, factor in factors.items()}
        return replace(spec, thermal=replace(thermal, **told))

    return change


def _valve(change: Callable[[ThermalSpec], Mapping[str, float]]) -> Callable[..., TruckSpec]:
    return lambda spec: replace(spec, thermal=replace(spec.thermal, **change(spec.thermal)))


UNKNOWN: Mapping[str, Callable[[TruckSpec], TruckSpec]] = {
    "losses of the gears": lambda spec: replace(
        spec, driveline=replace(spec.driveline, mesh_loss=1.13 * spec.driveline.mesh_loss)
    ),
    "slip when locked": lambda spec: replace(
        spec,
        driveline=replace(spec.driveline, lockup_slip_rpm=spec.driveline.lockup_slip_rpm + 6.0),
    ),
    "cooler": _scaled(cooler_ua_w_k=1.13),
    "air through it": _scaled(air_per_speed_kg_m=1.12),
    "flow": _scaled(flow_l_min=1.09),
    "case": _scaled(case_still_w_k=1.17, case_per_root_speed_w_k=1.17),
    "heat capacity": _scaled(sump_j_k=1.14, metal_j_k=1.14),
    "fluid to metal": _scaled(sump_metal_w_k=1.17),
    "valve's temperature": _valve(
        lambda own: {
            "valve_open_c": own.valve_open_c + 2.0,
            "valve_full_c": own.valve_full_c + 2.0,
        }
    ),
    "valve's leak": _valve(lambda own: {"valve_leak": own.valve_leak + 0.009}),
    "valve's play": _valve(lambda own: {"valve_hysteresis_k": own.valve_hysteresis_k + 1.4}),
    "valve's span": _valve(
        lambda own: {
            "valve_full_c": own.valve_full_c + 0.13 * (own.valve_full_c - own.valve_open_c)
        }
    ),
    "valve's lag": _valve(lambda own: {"valve_lag_s": own.valve_lag_s + 14.0}),
    "valve's flow": _valve(lambda own: {"valve_flow_power": own.valve_flow_power + 0.29}),
    "converter's mass": _scaled(converter_j_k=1.12),
}
"""Values of a truck that nobody tells, each made one standard deviation greater: the spread within a class
from which the trucks are drawn (``draw.py``)."""

AIR = "outside air"
RATIO = "speed ratio"


@dataclass(frozen=True, slots=True, kw_only=True)
class Twins:
    """Readings of all channels, put together over a minute each: n of them, m unknown values.

    ``time_s`` shape (n,); ``channel`` shape (n,): 0 and up are temperatures, -1 the engine's speed when
    locked; ``noise`` shape (n,) [K or 1/min]; ``fault`` shape (n,): what the fault adds; ``mimic`` shape
    (n, m): what each unknown value adds when it is one standard deviation off. ``sump_c``, ``converter_kw``
    shape (n,): of the truck without its fault, its fluid [°C] and the heat of its converter [kW].
    ``driven_h`` since the fault began [h].
    """

    time_s: NDArray[np.float64]
    channel: NDArray[np.int64]
    noise: NDArray[np.float64]
    fault: NDArray[np.float64]
    mimic: NDArray[np.float64]
    sump_c: NDArray[np.float64]
    converter_kw: NDArray[np.float64]
    driven_h: float

    def part(self, kept: NDArray[np.bool_]) -> Twins:
        """Keep some of the readings."""
        arrays = {
            one.name: getattr(self, one.name)[kept]
            for one in fields(self)
            if one.name != "driven_h"
        }
        return replace(self, **arrays)


@dataclass(slots=True, kw_only=True)
class Seen:
    """What has come of a fault up to ``now_s`` [s]; infinite: not yet. ``spent_s``: the fluid has since been
    above ``HOT_C`` for as long as it may."""

    now_s: float = 0.0
    shows_s: float = math.inf
    plain_s: float = math.inf
    spent_s: float = math.inf
    hot_s: float = 0.0


Until = Callable[[Trial, Seen], float | None]
"""From a truck and what has come of its fault: until when to look [s]; None: not known yet."""


class _Pack:
    """The truck (first), the same without its fault (second), and, if asked for, those that differ."""

    def __init__(self, trial: Trial, *, others: bool) -> None:
        own = trial.plan.spec
        specs, air_k = [own, own], [0.0, 0.0]
        if others:
            specs += [*(change(own) for change in UNKNOWN.values()), own]
            air_k += [*(0.0 for _ in UNKNOWN), _air_sd_k(trial)]
        self._trial = trial
        self.air_k = air_k
        self.trucks = [
            Truck(
                spec,
                weather=replace(trial.weathers[0], mean_c=trial.weathers[0].mean_c + air_k),
                start_s=START_MS / 1000.0 + trial.drives[0].start_s,
                rng=Random(f"{trial.seed}/{trial.number}/road"),
            )
            for spec, air_k in zip(specs, air_k, strict=True)
        ]
        self.watched = watched(trial)
        self.seen = Seen()
        self._faults = tuple(one for one in trial.plan.faults if one.place == "truck")
        self._since_s = math.inf if trial.fault is None else trial.fault.since_s
        self._starts = {drive.start_s for drive in trial.drives}

    def step(self, step: Step) -> None:
        if step.now_s in self._starts:
            day = self._trial.weathers[step.now_s // DAY_S]
            for truck, air_k in zip(self.trucks, self.air_k, strict=True):
                truck.weather = replace(day, mean_c=day.mean_c + air_k)
        apply_to_truck(self._faults, step.now_s, self.trucks[0].effects)
        for truck in self.trucks:
            step_truck(truck, step.now_s, step.span_s, step.segment)
        self.seen.now_s = step.now_s
        if math.isinf(self.seen.plain_s):
            self._differ(self.seen)
        if step.segment.engine_on and step.now_s >= self._since_s:
            self._spend(self.seen, step.span_s)

    def _differ(self, seen: Seen) -> None:
        faulty, sound = self.trucks[:2]
        by_k = max(abs(read(faulty) - read(sound)) for read in self.watched)
        if by_k >= SHOWS_K:
            seen.shows_s = min(seen.shows_s, seen.now_s)
        if by_k >= PLAIN_K:
            seen.plain_s = seen.now_s

    def _spend(self, seen: Seen, span_s: float) -> None:
        if self.trucks[0].thermal.sump_c > HOT_C:
            seen.hot_s += span_s
        if seen.hot_s >= HOT_MOST_S:
            seen.spent_s = min(seen.spent_s, seen.now_s)

    def temperatures(self) -> list[list[float]]:
        return [[read(truck) for truck in self.trucks] for read in self.watched]

    def slips(self) -> list[float] | None:
        """Give the slip of all, and the engine's speed; None where not all have locked."""
        lines = [truck.driveline for truck in self.trucks]
        if not all(line.lockup for line in lines):
            return None
        return [
            *(line.slip_rpm for line in lines),
            lines[1].engine_rpm,
            self.trucks[1].speed_m_s,
        ]


def _air_sd_k(trial: Trial) -> float:
    never = any(fault.kind == "ambient_missing" for fault in trial.plan.faults)
    told = "ambient_temp_c" in trial.plan.fit.signals and not never
    return AIR_SD_K if told else AIR_UNKNOWN_SD_K


def beside_sound(trial: Trial) -> Iterator[tuple[Step, Seen, Truck]]:
    """Drive the truck beside itself without its fault; give each step, what has come of it, and the truck."""
    pack = _Pack(trial, others=False)
    for step in steps(trial):
        pack.step(step)
        yield step, pack.seen, pack.trucks[0]


def seen_until_s(trial: Trial, until: Until) -> float | None:
    """Give until when to look [s], None for never."""
    for _, seen, _ in beside_sound(trial):
        end_s = until(trial, seen)
        if end_s is not None:
            return end_s
    return None


def drive_twins(trial: Trial, end_s: float) -> Twins:
    """Drive all of them until then."""
    pack = _Pack(trial, others=True)
    bins: dict[tuple[int, int], list[list[float]]] = {}
    locked = {"lockup", "engine_rpm", "speed_km_h"} <= set(trial.plan.fit.signals)
    every_s = max(trial.plan.fit.period_s, READ_S)
    since_s = 0.0 if trial.fault is None else trial.fault.since_s
    driven_s = 0
    for step in takewhile(lambda step: step.now_s < end_s, steps(trial)):
        pack.step(step)
        if step.segment.engine_on and step.now_s >= since_s:
            driven_s += step.span_s
        if step.heard and (step.now_s + step.span_s) % every_s == 0:
            for channel, values in _read(pack, locked):
                bins.setdefault((channel, step.now_s // BIN_S), []).append(values)
    return _together(trial, bins, driven_s / 3600.0)


def _read(pack: _Pack, locked: bool) -> Iterator[tuple[int, list[float]]]:
    sound = pack.trucks[1]
    state = [sound.thermal.sump_c, sound.driveline.converter_w / 1000.0]
    for channel, read in enumerate(pack.temperatures()):
        yield channel, [*state, *read]
    slips = pack.slips() if locked else None
    if slips is not None:
        yield -1, [*state, *slips]


def _together(
    trial: Trial, bins: Mapping[tuple[int, int], list[list[float]]], driven_h: float
) -> Twins:
    fit = trial.plan.fit
    weight = max(fit.period_s, READ_S) / fit.period_s * (1.0 - fit.lost)
    names = [
        "fluid_temp_c",
        *(n for n in ("cooler_out_temp_c", "cooler_return_temp_c") if n in fit.signals),
    ]
    rows = []
    for (channel, place), values in sorted(bins.items()):
        sump_c, converter_kw, *middle = np.mean(values, axis=0)
        count = math.sqrt(max(1.0, len(values) * weight))
        if channel < 0:
            *middle, rpm, speed_m_s = middle
            each, ratio = _rpm_noise(rpm, speed_m_s), RATIO_SD * rpm
        else:
            sensor = fit.sensors[names[channel]]
            each, ratio = math.hypot(sensor.noise, sensor.resolution / math.sqrt(12.0)), 0.0
        faulty, sound, *others = middle
        mimic = [other - sound for other in others]
        known = ((place + 0.5) * BIN_S, channel, each / count, sump_c, converter_kw)
        rows.append((*known, faulty - sound, *mimic, ratio))
    table = np.array(rows, dtype=np.float64)
    return Twins(
        time_s=table[:, 0],
        channel=table[:, 1].astype(np.int64),
        noise=table[:, 2],
        sump_c=table[:, 3],
        converter_kw=table[:, 4],
        fault=table[:, 5],
        mimic=table[:, 6:],
        driven_h=driven_h,
    )


def _rpm_noise(rpm: float, speed_m_s: float) -> float:
    """Noise of one reading of the engine's speed against what road speed says [1/min]."""
    return math.hypot(RPM_SD, rpm * SPEED_SD_KM_H / (3.6 * speed_m_s))
