"""One truck: driver, driveline, coolant and transmission, stepped together."""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

from simulator.physics.coolant import Coolant, CoolantSpec
from simulator.physics.driveline import Driveline, DrivelineSpec
from simulator.physics.road import road_load_n
from simulator.physics.thermal import Effects, Thermal, ThermalSpec
from simulator.physics.weather import Weather


@dataclass(frozen=True, slots=True, kw_only=True)
class BodySpec:
    """Mass and resistance of truck and trailer; magnitudes are common practice, no source."""

    mass_kg: float = 3_400.0
    drag_area_m2: float = 1.5
    trailer_drag_area_m2: float = 3.2
    rolling: float = 0.009


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckSpec:
    """Everything physical about one truck."""

    body: BodySpec = field(default_factory=BodySpec)
    driveline: DrivelineSpec = field(default_factory=DrivelineSpec)
    thermal: ThermalSpec = field(default_factory=ThermalSpec)
    coolant: CoolantSpec = field(default_factory=CoolantSpec)


class Truck:
    """The state of one truck on the road."""

    __slots__ = (
        "_gusts",
        "_rough",
        "_unrest",
        "ambient_c",
        "coolant",
        "distance_m",
        "driveline",
        "effects",
        "engine_on",
        "engine_s",
        "spec",
        "speed_m_s",
        "thermal",
        "trailer_kg",
        "weather",
    )

    def __init__(
        self,
        spec: TruckSpec,
        *,
        weather: Weather,
        start_s: float,
        rng: Random,
        start_temp_c: float | None = None,
    ) -> None:
        self.spec = spec
        self.weather = weather
        self.ambient_c = weather.ambient_c(start_s)
        self.driveline = Driveline(spec.driveline)
        start_c = self.ambient_c if start_temp_c is None else start_temp_c
        self.coolant = Coolant(spec.coolant, min(start_c, 88.0))
        self.thermal = Thermal(spec.thermal, start_c, self.ambient_c)
        self.effects = Effects()
        self.speed_m_s = 0.0
        self.distance_m = 0.0
        self.engine_s = 0.0
        self.trailer_kg = 0.0
        self.engine_on = False
        self._gusts = rng
        self._rough = 0.0
        self._unrest = 0.0

    def step(
        self,
        dt_s: float,
        time_s: float,
        *,
        target_m_s: float,
        grade_pct: float,
        trailer_kg: float,
        engine_on: bool,
    ) -> None:
        """Advance by ``dt_s`` (at most one second) towards a target speed on a grade."""
        self.ambient_c = self.weather.ambient_c(time_s)
        self.trailer_kg = trailer_kg
        self.engine_on = engine_on
        if engine_on:
            self.engine_s += dt_s
            self._drive(dt_s, target_m_s, grade_pct)
        else:
            self.speed_m_s = 0.0
            self.driveline.stop()
        self._heat(dt_s)

    def _drive(self, dt_s: float, target_m_s: float, grade_pct: float) -> None:
        body = self.spec.body
        self._wander(dt_s)
        moving = target_m_s > 0.0
        target = max(target_m_s + self._unrest, 1.0) if moving else 0.0
        grade = grade_pct + self._rough if moving or self.speed_m_s > 0.0 else 0.0
        mass = body.mass_kg + self.trailer_kg
        drag = body.drag_area_m2 + (body.trailer_drag_area_m2 if self.trailer_kg > 0.0 else 0.0)
        speed = self.speed_m_s
        load = road_load_n(
            mass, speed, grade_pct=grade, drag_area_m2=drag, rolling=body.rolling
        )
        wanted = min(max((target - speed) / 4.0, -1.1), 0.7)
        force = min(1.06 * mass * wanted + load, self._most(speed))
        pace = min((force - load) / (1.06 * mass), 0.9)
        if not moving and speed <= 0.5:
            force, pace = 0.0, -speed / dt_s
        engine_brake = -0.15 * self.spec.driveline.peak_nm * 4.0
        self.driveline.step(
            dt_s,
            speed_m_s=speed,
            force_n=max(force, engine_brake),
            fluid_c=self.thermal.sump_c,
            slip_rpm=self.effects.slip_rpm,
        )
        after = max(speed + pace * dt_s, 0.0)
        self.distance_m += 0.5 * (speed + after) * dt_s
        self.speed_m_s = after

    def _most(self, speed_m_s: float) -> float:
        """Force [N] that power and tyres allow."""
        power = 0.86 * self.spec.driveline.peak_power_w
        return min(power / max(speed_m_s, 2.5), 0.4 * 9.8 * self.spec.body.mass_kg)

    def _wander(self, dt_s: float) -> None:
        """Let grade and driver wander: correlated over about a minute and a half minute."""
        gauss = self._gusts.gauss
        self._rough += (-self._rough * dt_s) / 60.0 + 0.06 * dt_s**0.5 * gauss(0.0, 1.0)
        self._unrest += (-self._unrest * dt_s) / 30.0 + 0.10 * dt_s**0.5 * gauss(0.0, 1.0)

    def _heat(self, dt_s: float) -> None:
        line, thermal, coolant = self.driveline, self.thermal, self.coolant
        pump = thermal.pump_rate_w_k(line.engine_rpm)
        to_cooler = thermal.circuit(
            dt_s,
            pump_w_k=pump,
            speed_m_s=self.speed_m_s,
            fan=coolant.fan,
            ambient_c=self.ambient_c,
            coolant_c=coolant.temp_c,
            effects=self.effects,
        )
        thermal.step(
            dt_s,
            converter_w=line.converter_w,
            gearbox_w=line.gearbox_w,
            pump_w_k=pump,
            to_cooler=to_cooler,
            speed_m_s=self.speed_m_s,
            ambient_c=self.ambient_c,
        )
        by_coolant = self.spec.thermal.circuit in ("coolant_exchanger", "radiator_tank")
        coolant.step(
            dt_s,
            power_w=line.power_w,
            running=line.running,
            gain_w=thermal.cooling_w if by_coolant else 0.0,
            speed_m_s=self.speed_m_s,
            ambient_c=self.ambient_c,
        )
