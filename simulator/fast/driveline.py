"""Engine, converter, gears and pump, as ``simulator.physics.driveline`` has them."""

from __future__ import annotations

from typing import Any

import numpy as np

from simulator.fast.compiled import compiled
from simulator.physics import converter, fluid
from simulator.physics.driveline import RPM_PER_RAD_S

_ROOTS = np.array([fluid.root_viscosity(float(each)) for each in range(-60, 261)])
_COLDEST_C = fluid.TABLE_LOW_C
_REACH = np.array(converter._REACH)  # noqa: SLF001 -- the same table, for the same answers
_SHAPES = np.array(converter._SHAPES)  # noqa: SLF001
_HIGHEST = converter.HIGHEST_SPEED_RATIO
_POINTS = converter.POINTS

torque_ratio = compiled(converter.torque_ratio)


@compiled
def root_viscosity(temp_c: float) -> float:
    """Square root of the viscosity."""
    index = int(temp_c) - _COLDEST_C
    return float(_ROOTS[min(max(index, 0), len(_ROOTS) - 1)])


@compiled
def _speed_ratio_at(turbine_rpm: float, turbine_nm: float, capacity_factor: float) -> float:
    reach = turbine_rpm / (capacity_factor * np.sqrt(turbine_nm))
    index = np.searchsorted(_REACH, reach)
    if index <= 0:
        return 0.0
    if index > _POINTS:
        return _HIGHEST
    low, high = _REACH[index - 1], _REACH[index]
    share = (reach - low) / (high - low)
    return float((index - 1 + share) * _HIGHEST / _POINTS)


@compiled
def _slip_heat_w(engine_nm: float, engine_rad_s: float, speed_ratio: float) -> float:
    return engine_nm * engine_rad_s * (1.0 - speed_ratio * torque_ratio(speed_ratio))


@compiled
def _full_load_nm(spec: Any, rpm: float) -> float:
    rising = 0.45 + 0.55 * (rpm - spec.idle_rpm) / (spec.full_torque_rpm - spec.idle_rpm)
    torque = spec.peak_nm * min(max(rising, 0.3), 1.0)
    return float(min(torque, spec.peak_power_w * RPM_PER_RAD_S / max(rpm, 1.0)))


@compiled
def stop(truck: Any) -> None:
    """Switch the engine off."""
    truck.running = 0
    truck.gear = 0
    truck.lockup = 0
    truck.engine_rpm = truck.engine_nm = truck.slip_rpm = 0.0
    truck.converter_w = truck.gearbox_w = truck.power_w = 0.0


@compiled
def turn(spec: Any, truck: Any, effects: Any, dt_s: float, force_n: float) -> None:
    """Set gear, clutch, engine and heat for the truck's speed and a force at the wheels."""
    truck.running = 1
    truck.shifted_s += dt_s
    if truck.speed_m_s < 0.3 and force_n <= 0.0:
        _stand(spec, truck, dt_s)
        return
    truck.stood_s = 0.0
    wheel_rpm = truck.speed_m_s / spec.tyre_radius_m * RPM_PER_RAD_S * spec.final_drive
    wheel_nm = force_n * spec.tyre_radius_m / spec.final_drive
    _shift(spec, truck, wheel_rpm, wheel_nm)
    ratio = spec.ratios[truck.gear - 1]
    turbine_rpm = wheel_rpm * ratio
    loss = spec.mesh_loss if ratio != 1.0 else 0.4 * spec.mesh_loss
    turbine_nm = wheel_nm / ratio
    mesh_w = abs(turbine_nm) * turbine_rpm / RPM_PER_RAD_S * loss
    turbine_nm += abs(turbine_nm) * loss
    _clutch(spec, truck, turbine_rpm)
    if truck.lockup:
        _locked(spec, truck, effects, turbine_rpm, turbine_nm)
    else:
        _unlocked(spec, truck, turbine_rpm, turbine_nm)
    _finish(spec, truck, turbine_rpm, mesh_w)


@compiled
def _stand(spec: Any, truck: Any, dt_s: float) -> None:
    truck.stood_s += dt_s
    truck.engine_rpm = spec.idle_rpm
    truck.lockup = 0
    truck.slip_rpm = 0.0
    truck.converter_w = 0.0
    truck.engine_nm = 0.03 * spec.peak_nm
    truck.gear = 1
    if truck.stood_s > 30.0:
        truck.gear = 0
    else:
        root = spec.idle_rpm / (spec.capacity_factor * _SHAPES[0])
        pump_nm = 0.35 * (root * root)
        truck.engine_nm += pump_nm
        truck.converter_w = _slip_heat_w(pump_nm, spec.idle_rpm / RPM_PER_RAD_S, 0.0)
    _finish(spec, truck, 0.0, 0.0)


@compiled
def _shift(spec: Any, truck: Any, wheel_rpm: float, wheel_nm: float) -> None:
    truck.gear = max(truck.gear, 1)
    if truck.shifted_s < 3.0:
        return
    gear = truck.gear
    rpm = wheel_rpm * spec.ratios[gear - 1]
    load = wheel_nm / spec.ratios[gear - 1] / _full_load_nm(spec, rpm)
    if gear < spec.gears:
        next_rpm = wheel_rpm * spec.ratios[gear]
        next_load = wheel_nm / spec.ratios[gear] / _full_load_nm(spec, next_rpm)
        if rpm > spec.governed_rpm or (next_rpm > spec.shift_up_rpm and next_load < 0.78):
            truck.gear = gear + 1
            truck.shifted_s = 0.0
            return
    strained = rpm < spec.shift_down_rpm or load > 0.95
    room = gear > 1 and wheel_rpm * spec.ratios[gear - 2] < 0.92 * spec.governed_rpm
    if strained and room:
        truck.gear = gear - 1
        truck.shifted_s = 0.0


@compiled
def _clutch(spec: Any, truck: Any, turbine_rpm: float) -> None:
    allowed = truck.gear >= spec.lockup_gear and truck.sump_c > 15.0 and truck.shifted_s >= 2.0
    limit = spec.lockup_off_rpm if truck.lockup else spec.lockup_on_rpm
    truck.lockup = 1 if allowed and turbine_rpm > limit else 0


@compiled
def _locked(spec: Any, truck: Any, effects: Any, turbine_rpm: float, turbine_nm: float) -> None:
    slip = spec.lockup_slip_rpm + effects.slip_rpm if turbine_nm > 0.0 else -4.0
    truck.engine_rpm = max(turbine_rpm + slip, spec.idle_rpm)
    truck.slip_rpm = truck.engine_rpm - turbine_rpm
    truck.engine_nm = turbine_nm
    truck.converter_w = abs(turbine_nm * truck.slip_rpm) / RPM_PER_RAD_S


@compiled
def _unlocked(spec: Any, truck: Any, turbine_rpm: float, turbine_nm: float) -> None:
    if turbine_nm <= 0.0:
        truck.engine_rpm = max(0.97 * turbine_rpm, spec.idle_rpm)
        truck.engine_nm = turbine_nm
        slip = turbine_rpm - truck.engine_rpm
        truck.converter_w = abs(turbine_nm * slip) / RPM_PER_RAD_S
    else:
        _driven(spec, truck, turbine_rpm, turbine_nm)
    truck.slip_rpm = truck.engine_rpm - turbine_rpm


@compiled
def _driven(spec: Any, truck: Any, turbine_rpm: float, turbine_nm: float) -> None:
    factor = spec.capacity_factor
    ratio = _speed_ratio_at(turbine_rpm, turbine_nm, factor)
    if turbine_rpm > 0.05 * spec.idle_rpm and ratio > 0.0:
        truck.engine_rpm = turbine_rpm / ratio
        truck.engine_nm = turbine_nm / torque_ratio(ratio)
    else:
        truck.engine_nm = turbine_nm / torque_ratio(0.0)
        truck.engine_rpm = factor * truck.engine_nm**0.5
    if truck.engine_rpm < spec.idle_rpm:
        truck.engine_rpm = spec.idle_rpm
        ratio = min(turbine_rpm / spec.idle_rpm, 0.995)
    truck.converter_w = _slip_heat_w(truck.engine_nm, truck.engine_rpm / RPM_PER_RAD_S, ratio)


@compiled
def _finish(spec: Any, truck: Any, turbine_rpm: float, mesh_w: float) -> None:
    engine = truck.engine_rpm / RPM_PER_RAD_S
    pump_nm = 2.2 + 0.007 * abs(truck.engine_nm)
    spin_nm = 1.0 + 0.25 * root_viscosity(truck.sump_c)
    spin_w = spin_nm * turbine_rpm / RPM_PER_RAD_S
    truck.gearbox_w = mesh_w + spin_w + pump_nm * engine
    truck.engine_nm += pump_nm + spin_w / engine
    truck.full_nm = _full_load_nm(spec, truck.engine_rpm)
    truck.engine_nm = min(truck.engine_nm, truck.full_nm)
    truck.power_w = truck.engine_nm * engine
