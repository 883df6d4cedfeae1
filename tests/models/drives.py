"""Drives of simulated trucks as their fluid sensor tells them, and integrals over them by other means."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.chart import Chart
from models.units import GAS_CONSTANT, ZERO_CELSIUS_K
from simulator.capture import fleet_messages
from simulator.northfold import START_MS, northfold
from simulator.sensors import BASIC, SensorFit, coarse
from tests.recorded import Sample

Floats = NDArray[np.float64]
Law = Callable[[Floats], Floats]
"""Gives the relative rate [-] at temperatures [°C]."""

HOURS = 5.0
TRUCKS = ("NF-03", "NF-05", "NF-09")
"""A valve that sticks on a climb, an overloaded pickup on a long grade, rolling hills at the thermostat."""


@cache
def drive_samples(
    vehicle: str, *, whole_degrees: bool = False, always_on: bool = False
) -> tuple[Sample, ...]:
    """Simulate five hours of a truck, one sample a second while its gateway has power, or always."""
    fit = SensorFit(signals=BASIC, period_s=1)
    fleet = northfold()
    plans = tuple(
        replace(
            plan,
            fit=coarse(fit) if whole_degrees else fit,
            gateway=replace(plan.gateway, always_on=always_on),
        )
        for plan in fleet.plans
        if plan.vehicle == vehicle
    )
    fleet = replace(fleet, plans=plans)
    told: dict[float, Sample] = {}
    for sent in fleet_messages(fleet, start_ms=START_MS, duration_s=3600.0 * HOURS, seed=7):
        if sent.topic.endswith("/telemetry"):
            body = json.loads(sent.payload)
            for sample in body if isinstance(body, list) else [body]:
                time_ms = _time_ms(sample.pop("time"))
                del sample["seq"]
                told[time_ms] = {"time_ms": time_ms, **sample}
    return tuple(told[time_ms] for time_ms in sorted(told))


def drive(vehicle: str, *, whole_degrees: bool = False) -> tuple[Floats, Floats]:
    """Give the same as seconds [s] and the fluid [°C]."""
    samples = drive_samples(vehicle, whole_degrees=whole_degrees)
    times = np.array([sample["time_ms"] for sample in samples]) / 1000.0
    return times - times[0], np.array([sample["fluid_temp_c"] for sample in samples])


def _time_ms(time: Any) -> float:
    if isinstance(time, str):
        return round(datetime.fromisoformat(time).timestamp() * 1000.0)
    return round(float(time) * 1000.0)


def thinned(seconds: Floats, celsius: Floats, step: int) -> tuple[Floats, Floats]:
    """Keep every so many-th sample, and the last."""
    rows = np.unique(np.append(np.arange(0, len(seconds), step), len(seconds) - 1))
    return seconds[rows], celsius[rows]


def samples_of(seconds: Floats, celsius: Floats) -> list[Sample]:
    """Give a drive as samples."""
    return [
        {"time_ms": float(START_MS + round(1000.0 * at)), "fluid_temp_c": float(fluid)}
        for at, fluid in zip(seconds, celsius, strict=True)
    ]


def arrhenius(energy_j_mol: float, reference_c: float) -> Law:
    def law(celsius: Floats) -> Floats:
        kelvin, reference_k = celsius + ZERO_CELSIUS_K, reference_c + ZERO_CELSIUS_K
        return np.exp(energy_j_mol / GAS_CONSTANT * (1.0 / reference_k - 1.0 / kelvin))

    return law


def by_chart(chart: Chart, reference_life_s: float) -> Law:
    """Read a chart as it is meant, between its ends."""
    inverse = np.array([1.0 / (celsius + ZERO_CELSIUS_K) for celsius, _ in chart])
    logs = np.log([reference_life_s / life_s for _, life_s in chart])
    assert len(inverse) >= 2

    def law(celsius: Floats) -> Floats:
        at = 1.0 / (celsius + ZERO_CELSIUS_K)
        inside = np.interp(-at, -inverse, logs)
        cold = logs[0] + (at - inverse[0]) * (logs[1] - logs[0]) / (inverse[1] - inverse[0])
        return np.exp(np.where(at > inverse[0], cold, inside))

    return law


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)


def integral_s(
    seconds: Floats, celsius: Floats, law: Law, *, straight: str = "inverse"
) -> float:
    """Integrate a law over a drive, 12 Gauss points a span; spans longer than 300 s do not count.

    Between samples 1/T runs straight in time, or with ``straight`` = "celsius" T itself.
    """
    shares = 0.5 * (_NODES + 1.0)
    ends = celsius if straight == "celsius" else 1.0 / (celsius + ZERO_CELSIUS_K)
    paths = ends[:-1, None] + np.diff(ends)[:, None] * shares[None, :]
    fluid = paths if straight == "celsius" else 1.0 / paths - ZERO_CELSIUS_K
    means = law(fluid) @ (0.5 * _WEIGHTS)
    spans = np.diff(seconds)
    return float(means @ np.where(spans > 300.0, 0.0, spans))
