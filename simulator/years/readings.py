"""What a gateway reads of trips: noise, steps, losses and sensor faults, for whole trips at a time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulator.duty import READING as OF_DUTY
from simulator.fast.truck import TRUE
from simulator.faults import Fault
from simulator.sensors import FLAGS, INTEGERS, NEVER_NEGATIVE, Sensor, SensorFit

#: One reading, named as in the message contract; what is not read is NaN.
READING: np.dtype[np.void] = np.dtype(
    [
        *((name, OF_DUTY[name]) for name in ("time_ms", "fluid_temp_c")),
        *(
            (name, "f8")
            for name in (
                "cooler_out_temp_c",
                "cooler_return_temp_c",
                "ambient_temp_c",
                "coolant_temp_c",
                "speed_km_h",
                "engine_rpm",
                "engine_load_pct",
                "engine_torque_nm",
                "gear",
                "lockup",
                "lockup_slip_rpm",
                "odometer_km",
                "engine_hours_h",
                "trailer",
            )
        ),
    ]
)

Column = NDArray[np.float64]
_AT = {name: place for place, name in enumerate(TRUE)}
_POSITION = {"sump": "sump_c", "converter_out": "converter_c", "cooler_line": "line_c"}
_STILL = frozenset({"engine_rpm", "speed_km_h"})
"""Signals without noise while they are zero."""


def _of(name: str, factor: float = 1.0) -> Callable[[NDArray[np.float64]], Column]:
    return lambda rows: rows[:, _AT[name]] * factor


def _load_pct(rows: NDArray[np.float64]) -> Column:
    share = 100.0 * rows[:, _AT["engine_nm"]] / np.maximum(rows[:, _AT["full_nm"]], 1.0)
    return np.maximum(share, 0.0) * (rows[:, _AT["running"]] > 0.0)


_READ: Mapping[str, Callable[[NDArray[np.float64]], Column]] = {
    "cooler_out_temp_c": _of("line_c"),
    "cooler_return_temp_c": _of("return_c"),
    "ambient_temp_c": _of("ambient_c"),
    "coolant_temp_c": _of("coolant_c"),
    "speed_km_h": _of("speed_m_s", 3.6),
    "engine_rpm": _of("engine_rpm"),
    "engine_load_pct": _load_pct,
    "engine_torque_nm": _of("engine_nm"),
    "gear": _of("gear"),
    "lockup": _of("lockup"),
    "lockup_slip_rpm": lambda rows: rows[:, _AT["slip_rpm"]] * rows[:, _AT["lockup"]],
    "odometer_km": _of("distance_m", 0.001),
    "engine_hours_h": _of("engine_s", 1.0 / 3600.0),
    "trailer": lambda rows: (rows[:, _AT["trailer_kg"]] > 0.0).astype(float),
}


def read(
    rows: NDArray[np.float64],
    times_ms: NDArray[np.int64],
    fit: SensorFit,
    rng: np.random.Generator,
) -> NDArray[Any]:
    """Read a trip's moments (rows of ``TRUE``) as its truck's sensors do; gives records ``READING``."""
    readings = np.zeros(len(rows), READING)
    for name in READING.names or ():
        if name != "time_ms":
            readings[name] = np.nan
    readings["time_ms"] = times_ms
    own = {**_READ, "fluid_temp_c": _of(_POSITION[fit.position])}
    for name in fit.signals:
        sensor = fit.sensors[name]
        value = _measured(name, sensor, own[name](rows), rng)
        lost = rng.random(len(rows)) < fit.lost + sensor.lost
        readings[name] = np.where(lost, np.nan, value)
    return readings


def spoil(
    readings: NDArray[Any],
    faults: Sequence[Fault],
    fit: SensorFit,
    start_ms: int,
    rng: np.random.Generator,
) -> None:
    """Put the sensor faults of a truck into its readings; their times count from ``start_ms``."""
    for fault in faults:
        if fault.place == "sensor":
            _spoil(readings, fault, fit.sensors[fault.signal], start_ms, rng)


def _spoil(
    readings: NDArray[Any],
    fault: Fault,
    sensor: Sensor,
    start_ms: int,
    rng: np.random.Generator,
) -> None:
    elapsed_s = (readings["time_ms"] - start_ms) / 1000.0
    strength = np.array([fault.strength(float(each)) for each in elapsed_s])
    value, struck = readings[fault.signal], strength > 0.0
    if fault.kind == "sensor_dropout":
        value[struck & (rng.random(len(value)) < fault.full_size * strength)] = np.nan
        return
    if fault.kind == "sensor_bias":
        added = fault.full_size * strength
    elif fault.kind == "sensor_noise":
        added = rng.normal(0.0, 1.0, len(value)) * fault.full_size * strength
    else:
        raise ValueError(f"no fault {fault.kind!r} over years")
    value[struck] = _stepped(fault.signal, sensor, value[struck] + added[struck])


def _measured(name: str, sensor: Sensor, true: Column, rng: np.random.Generator) -> Column:
    if name in FLAGS or name in INTEGERS:
        return np.round(true)
    noise = rng.normal(0.0, sensor.noise, len(true)) if sensor.noise > 0.0 else 0.0
    if name in _STILL:
        noise = noise * (true != 0.0)
    return _stepped(name, sensor, true + noise)


def _stepped(name: str, sensor: Sensor, value: Column) -> Column:
    steps = np.round(value / sensor.resolution)
    stepped = np.round(sensor.resolution * steps, 3) + 0.0
    return np.maximum(stepped, 0.0) if name in NEVER_NEGATIVE else stepped
