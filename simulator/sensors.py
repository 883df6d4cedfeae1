"""What a truck's gateway can read: which signals, how finely, how noisily, how often."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from random import Random
from typing import Literal

from simulator.faults import Fault
from simulator.physics.truck import Truck

Value = float | int | bool
Position = Literal["sump", "converter_out", "cooler_line"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """Resolution, noise (one standard deviation) and share of lost values of one signal."""

    resolution: float
    noise: float = 0.0
    lost: float = 0.0


#: Fine sensors, as on a truck bus.
FINE: Mapping[str, Sensor] = {
    "fluid_temp_c": Sensor(resolution=0.1, noise=0.15),
    "cooler_out_temp_c": Sensor(resolution=0.1, noise=0.2),
    "cooler_return_temp_c": Sensor(resolution=0.1, noise=0.2),
    "ambient_temp_c": Sensor(resolution=0.1, noise=0.2),
    "coolant_temp_c": Sensor(resolution=1.0, noise=0.3),
    "speed_km_h": Sensor(resolution=0.1, noise=0.15),
    "engine_rpm": Sensor(resolution=1.0, noise=4.0),
    "engine_load_pct": Sensor(resolution=1.0, noise=0.6),
    "engine_torque_nm": Sensor(resolution=1.0, noise=5.0),
    "gear": Sensor(resolution=1.0),
    "lockup": Sensor(resolution=1.0),
    "lockup_slip_rpm": Sensor(resolution=1.0, noise=3.0),
    "odometer_km": Sensor(resolution=0.1),
    "engine_hours_h": Sensor(resolution=0.01),
    "trailer": Sensor(resolution=1.0),
}
WHOLE_DEGREES: Mapping[str, Sensor] = {
    "fluid_temp_c": Sensor(resolution=1.0, noise=0.3),
    "ambient_temp_c": Sensor(resolution=1.0, noise=0.4),
}
BASIC = (
    "fluid_temp_c",
    "ambient_temp_c",
    "coolant_temp_c",
    "speed_km_h",
    "engine_rpm",
    "engine_load_pct",
    "gear",
    "lockup",
    "odometer_km",
    "engine_hours_h",
    "trailer",
)
WITH_TORQUE = (*BASIC, "engine_torque_nm")
WITH_SLIP = (*WITH_TORQUE, "lockup_slip_rpm")
WITH_LINES = (*WITH_SLIP, "cooler_out_temp_c", "cooler_return_temp_c")


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFit:
    """The sensors of one truck and how often they are read."""

    signals: tuple[str, ...] = WITH_TORQUE
    period_s: int = 10
    position: Position = "sump"
    lost: float = 0.0
    sensors: Mapping[str, Sensor] = field(default_factory=lambda: FINE)


def coarse(fit: SensorFit) -> SensorFit:
    """Return the same fit with whole degrees, as a diagnostic socket gives them."""
    return SensorFit(
        signals=fit.signals,
        period_s=fit.period_s,
        position=fit.position,
        lost=fit.lost,
        sensors={**FINE, **WHOLE_DEGREES},
    )


def _load_pct(truck: Truck) -> float:
    line = truck.driveline
    return max(100.0 * line.engine_nm / line.full_nm, 0.0) if line.running else 0.0


READ: Mapping[str, Callable[[Truck], float]] = {
    "cooler_out_temp_c": lambda truck: truck.thermal.line_c,
    "cooler_return_temp_c": lambda truck: truck.thermal.return_c,
    "ambient_temp_c": lambda truck: truck.ambient_c,
    "coolant_temp_c": lambda truck: truck.coolant.temp_c,
    "speed_km_h": lambda truck: 3.6 * truck.speed_m_s,
    "engine_rpm": lambda truck: truck.driveline.engine_rpm,
    "engine_load_pct": _load_pct,
    "engine_torque_nm": lambda truck: truck.driveline.engine_nm,
    "gear": lambda truck: float(truck.driveline.gear),
    "lockup": lambda truck: float(truck.driveline.lockup),
    "lockup_slip_rpm": lambda truck: (
        truck.driveline.slip_rpm if truck.driveline.lockup else 0.0
    ),
    "odometer_km": lambda truck: truck.distance_m / 1000.0,
    "engine_hours_h": lambda truck: truck.engine_s / 3600.0,
    "trailer": lambda truck: float(truck.trailer_kg > 0.0),
}
FLUID: Mapping[Position, Callable[[Truck], float]] = {
    "sump": lambda truck: truck.thermal.sump_c,
    "converter_out": lambda truck: truck.thermal.converter_c,
    "cooler_line": lambda truck: truck.thermal.line_c,
}
INTEGERS = frozenset({"gear"})
FLAGS = frozenset({"lockup", "trailer"})
COUNTERS = frozenset({"odometer_km", "engine_hours_h"})
NEVER_NEGATIVE = frozenset({"speed_km_h", "engine_rpm", "engine_load_pct", *COUNTERS})


class Sensors:
    """The sensors of one truck, their noise and their faults."""

    __slots__ = ("_faults", "_fit", "_last", "_offsets", "_reads", "_rng")

    def __init__(
        self,
        fit: SensorFit,
        faults: Sequence[Fault],
        rng: Random,
        *,
        odometer_km: float = 0.0,
        engine_hours_h: float = 0.0,
    ) -> None:
        self._fit = fit
        self._rng = rng
        self._last: dict[str, Value] = {}
        self._offsets = {"odometer_km": odometer_km, "engine_hours_h": engine_hours_h}
        self._faults: dict[str, list[Fault]] = {}
        for fault in faults:
            if fault.place == "sensor":
                missing = fault.kind == "ambient_missing"
                name = "ambient_temp_c" if missing else fault.signal
                self._faults.setdefault(name, []).append(fault)
        reads = {**READ, "fluid_temp_c": FLUID[fit.position]}
        self._reads = tuple((name, reads[name], fit.sensors[name]) for name in fit.signals)

    def read(self, truck: Truck, elapsed_s: float) -> dict[str, Value]:
        """Read every signal once; a lost value is absent."""
        sample: dict[str, Value] = {}
        random = self._rng.random
        for name, read, sensor in self._reads:
            true = read(truck) + self._offsets.get(name, 0.0)
            faults = self._faults.get(name)
            value = self._measure(name, sensor, true)
            if faults:
                spoilt = self._spoil(name, sensor, value, faults, elapsed_s)
                if spoilt is None:
                    continue
                value = spoilt
            self._last[name] = value
            if random() >= self._fit.lost + sensor.lost:
                sample[name] = value
        return sample

    def _measure(self, name: str, sensor: Sensor, true: float) -> Value:
        if name in FLAGS:
            return true > 0.5
        if name in INTEGERS:
            return round(true)
        noise = self._rng.gauss(0.0, sensor.noise) if sensor.noise > 0.0 else 0.0
        if name == "engine_rpm" and true == 0.0:
            noise = 0.0
        if name == "speed_km_h" and true == 0.0:
            noise = 0.0
        return _quantise(name, sensor, true + noise)

    def _spoil(
        self, name: str, sensor: Sensor, value: Value, faults: list[Fault], elapsed_s: float
    ) -> Value | None:
        for fault in faults:
            strength = fault.strength(elapsed_s)
            if strength <= 0.0:
                continue
            size = fault.full_size
            if fault.kind == "ambient_missing":
                return None
            if fault.kind == "sensor_dropout" and self._rng.random() < size * strength:
                return None
            if fault.kind == "sensor_frozen":
                return self._last.get(name, value)
            added = 0.0
            if fault.kind == "sensor_drift":
                added = size * (elapsed_s - fault.since_s) / 3600.0
            elif fault.kind == "sensor_bias":
                added = size * strength
            elif fault.kind == "sensor_noise":
                added = self._rng.gauss(0.0, size * strength)
            value = _quantise(name, sensor, float(value) + added)
        return value


def _quantise(name: str, sensor: Sensor, value: float) -> float:
    steps = sensor.resolution * round(value / sensor.resolution)
    if name in NEVER_NEGATIVE and steps < 0.0:
        return 0.0
    return round(steps, 3) + 0.0  # never a negative zero
