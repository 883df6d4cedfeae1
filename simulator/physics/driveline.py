"""Engine, converter, gears and pump, worked backwards from the force at the wheels."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulator.physics.converter import (
    pump_torque_nm,
    slip_heat_w,
    speed_ratio_at,
    torque_ratio,
)
from simulator.physics.fluid import root_viscosity

RPM_PER_RAD_S = 30.0 / math.pi


@dataclass(frozen=True, slots=True, kw_only=True)
class DrivelineSpec:
    """Engine and gearbox of one class of truck; magnitudes are common practice, no source."""

    peak_nm: float = 850.0
    peak_power_w: float = 240_000.0
    idle_rpm: float = 650.0
    full_torque_rpm: float = 1_500.0
    governed_rpm: float = 3_000.0
    capacity_factor: float = 78.0
    ratios: tuple[float, ...] = (3.97, 2.32, 1.52, 1.15, 0.86, 0.67)
    final_drive: float = 3.73
    tyre_radius_m: float = 0.39
    mesh_loss: float = 0.042
    shift_up_rpm: float = 1_350.0
    shift_down_rpm: float = 1_150.0
    lockup_gear: int = 3
    lockup_on_rpm: float = 1_300.0
    lockup_off_rpm: float = 1_150.0
    lockup_slip_rpm: float = 12.0


class Driveline:
    """Gear, clutch and engine, and the two heat flows they make."""

    __slots__ = (
        "converter_w",
        "engine_nm",
        "engine_rpm",
        "full_nm",
        "gear",
        "gearbox_w",
        "lockup",
        "power_w",
        "running",
        "shifted_s",
        "slip_rpm",
        "spec",
        "stood_s",
    )

    def __init__(self, spec: DrivelineSpec) -> None:
        self.spec = spec
        self.gear = 0
        self.lockup = False
        self.shifted_s = 0.0
        self.stood_s = 0.0
        self.full_nm = spec.peak_nm
        self.stop()

    def stop(self) -> None:
        """Switch the engine off."""
        self.running = False
        self.gear = 0
        self.lockup = False
        self.engine_rpm = self.engine_nm = self.slip_rpm = 0.0
        self.converter_w = self.gearbox_w = self.power_w = 0.0

    def full_load_nm(self, rpm: float) -> float:
        """Torque the engine can give [N·m] at a speed."""
        spec = self.spec
        rising = 0.45 + 0.55 * (rpm - spec.idle_rpm) / (spec.full_torque_rpm - spec.idle_rpm)
        torque = spec.peak_nm * min(max(rising, 0.3), 1.0)
        return min(torque, spec.peak_power_w * RPM_PER_RAD_S / max(rpm, 1.0))

    def step(
        self, dt_s: float, *, speed_m_s: float, force_n: float, fluid_c: float, slip_rpm: float
    ) -> None:
        """Set gear, clutch, engine and heat for a speed and a force at the wheels."""
        self.running = True
        self.shifted_s += dt_s
        if speed_m_s < 0.3 and force_n <= 0.0:
            self._stand(dt_s, fluid_c)
            return
        self.stood_s = 0.0
        spec = self.spec
        wheel_rpm = speed_m_s / spec.tyre_radius_m * RPM_PER_RAD_S * spec.final_drive
        wheel_nm = force_n * spec.tyre_radius_m / spec.final_drive
        self._shift(wheel_rpm, wheel_nm)
        ratio = spec.ratios[self.gear - 1]
        turbine_rpm = wheel_rpm * ratio
        loss = spec.mesh_loss if ratio != 1.0 else 0.4 * spec.mesh_loss
        turbine_nm = wheel_nm / ratio
        mesh_w = abs(turbine_nm) * turbine_rpm / RPM_PER_RAD_S * loss
        turbine_nm += abs(turbine_nm) * loss
        self._clutch(turbine_rpm, fluid_c)
        if self.lockup:
            self._locked(turbine_rpm, turbine_nm, slip_rpm)
        else:
            self._unlocked(turbine_rpm, turbine_nm)
        self._finish(turbine_rpm, mesh_w, fluid_c)

    def _stand(self, dt_s: float, fluid_c: float) -> None:
        self.stood_s += dt_s
        spec = self.spec
        self.engine_rpm = spec.idle_rpm
        self.lockup = False
        self.slip_rpm = 0.0
        self.converter_w = 0.0
        self.engine_nm = 0.03 * spec.peak_nm
        self.gear = 1
        if self.stood_s > 30.0:  # the driver, or the box itself, goes to neutral
            self.gear = 0
        else:
            pump_nm = 0.35 * pump_torque_nm(spec.idle_rpm, 0.0, spec.capacity_factor)
            self.engine_nm += pump_nm
            self.converter_w = slip_heat_w(pump_nm, spec.idle_rpm / RPM_PER_RAD_S, 0.0)
        self._finish(0.0, 0.0, fluid_c)

    def _shift(self, wheel_rpm: float, wheel_nm: float) -> None:
        spec = self.spec
        if self.gear < 1:
            self.gear = 1
        if self.shifted_s < 3.0:
            return
        gear = self.gear
        rpm = wheel_rpm * spec.ratios[gear - 1]
        load = wheel_nm / spec.ratios[gear - 1] / self.full_load_nm(rpm)
        if gear < len(spec.ratios):
            next_rpm = wheel_rpm * spec.ratios[gear]
            next_load = wheel_nm / spec.ratios[gear] / self.full_load_nm(next_rpm)
            if rpm > spec.governed_rpm or (next_rpm > spec.shift_up_rpm and next_load < 0.78):
                self.gear = gear + 1
                self.shifted_s = 0.0
                return
        strained = rpm < spec.shift_down_rpm or load > 0.95
        if (
            gear > 1
            and strained
            and wheel_rpm * spec.ratios[gear - 2] < 0.92 * spec.governed_rpm
        ):
            self.gear = gear - 1
            self.shifted_s = 0.0

    def _clutch(self, turbine_rpm: float, fluid_c: float) -> None:
        spec = self.spec
        allowed = self.gear >= spec.lockup_gear and fluid_c > 15.0 and self.shifted_s >= 2.0
        limit = spec.lockup_off_rpm if self.lockup else spec.lockup_on_rpm
        self.lockup = allowed and turbine_rpm > limit

    def _locked(self, turbine_rpm: float, turbine_nm: float, slip_rpm: float) -> None:
        spec = self.spec
        slip = spec.lockup_slip_rpm + slip_rpm if turbine_nm > 0.0 else -4.0
        self.engine_rpm = max(turbine_rpm + slip, spec.idle_rpm)
        self.slip_rpm = self.engine_rpm - turbine_rpm
        self.engine_nm = turbine_nm
        self.converter_w = abs(turbine_nm * self.slip_rpm) / RPM_PER_RAD_S

    def _unlocked(self, turbine_rpm: float, turbine_nm: float) -> None:
        spec = self.spec
        factor = spec.capacity_factor
        if turbine_nm <= 0.0:
            self.engine_rpm = max(0.97 * turbine_rpm, spec.idle_rpm)
            self.engine_nm = turbine_nm
            slip = turbine_rpm - self.engine_rpm
            self.converter_w = abs(turbine_nm * slip) / RPM_PER_RAD_S
        else:
            ratio = speed_ratio_at(turbine_rpm, turbine_nm, factor)
            if turbine_rpm > 0.05 * spec.idle_rpm and ratio > 0.0:
                self.engine_rpm = turbine_rpm / ratio
                self.engine_nm = turbine_nm / torque_ratio(ratio)
            else:
                self.engine_nm = turbine_nm / torque_ratio(0.0)
                self.engine_rpm = factor * self.engine_nm**0.5
            if self.engine_rpm < spec.idle_rpm:
                self.engine_rpm = spec.idle_rpm
                ratio = min(turbine_rpm / spec.idle_rpm, 0.995)
            self.converter_w = slip_heat_w(
                self.engine_nm, self.engine_rpm / RPM_PER_RAD_S, ratio
            )
        self.slip_rpm = self.engine_rpm - turbine_rpm

    def _finish(self, turbine_rpm: float, mesh_w: float, fluid_c: float) -> None:
        """Add pump and spin losses, and what they ask of the engine."""
        engine = self.engine_rpm / RPM_PER_RAD_S
        pump_nm = 2.2 + 0.007 * abs(self.engine_nm)
        # Drag of wheels and open clutches in the fluid goes with the root of its viscosity.
        spin_nm = 1.0 + 0.25 * root_viscosity(fluid_c)
        spin_w = spin_nm * turbine_rpm / RPM_PER_RAD_S
        self.gearbox_w = mesh_w + spin_w + pump_nm * engine
        self.engine_nm += pump_nm + spin_w / engine
        self.full_nm = self.full_load_nm(self.engine_rpm)
        self.engine_nm = min(self.engine_nm, self.full_nm)
        self.power_w = self.engine_nm * engine
