"""Valve, coolers, thermal nodes and coolant, as ``simulator.physics.thermal`` and its parts have them."""

from __future__ import annotations

import math
from typing import Any

from simulator.fast.compiled import compiled
from simulator.fast.driveline import root_viscosity
from simulator.fast.records import CIRCUITS
from simulator.physics import cooler, fluid
from simulator.physics.thermal import AIR_REF_W_K, FLUID_REF_W_K

_BYPASS, _FULL_FLOW, _EXCHANGER, _TANK = (
    CIRCUITS.index(name)
    for name in ("thermostatic_bypass", "full_flow", "coolant_exchanger", "radiator_tank")
)
_HOT_SHARE = 0.45

_specific_heat = compiled(fluid.specific_heat_j_kgk)
_density = compiled(fluid.density_kg_m3)
_crossflow = compiled(cooler.crossflow_effectiveness)
_counterflow = compiled(cooler.counterflow_effectiveness)
_air_rate: Any = compiled(cooler.air_rate_w_k)  # compiled, it takes every argument by place


@compiled
def pump_rate_w_k(spec: Any, truck: Any) -> float:
    """Capacity rate of the flow through the converter [W/K]."""
    if truck.engine_rpm <= 0.0:
        return 0.0
    root = root_viscosity(truck.sump_c)
    litres = spec.flow_l_min * min(0.45 + truck.engine_rpm / 3200.0, 1.15)
    litres /= 1.0 + root * root / 250.0
    mass = litres / 60_000.0 * _density(truck.converter_c)
    return float(mass * _specific_heat(truck.converter_c))


@compiled
def settle(spec: Any, truck: Any) -> None:
    """Bring the valve's opening between its opening line and its closing line."""
    span = spec.valve_full_c - spec.valve_open_c
    rising = (truck.element_c - spec.valve_open_c) / span
    falling = rising + spec.valve_hysteresis_k / span
    opening = min(max(truck.opening, rising), falling)
    truck.opening = min(max(opening, 0.0), 1.0)


@compiled
def circuit(spec: Any, truck: Any, effects: Any, dt_s: float, pump_w_k: float) -> float:
    """Set valve and cooler for this step; give the capacity rate sent to the cooler [W/K]."""
    truck.element_c += (truck.sump_c - truck.element_c) * (
        1.0 - math.exp(-dt_s / spec.valve_lag_s)
    )
    settle(spec, truck)
    opening = truck.opening
    to_cooler = pump_w_k * effects.flow
    if spec.circuit == _BYPASS:
        opening = min(max(opening, effects.valve_low), effects.valve_high)
        to_cooler *= max(opening**spec.valve_flow_power, spec.valve_leak)
    elif spec.circuit == _EXCHANGER and spec.coolant_valve:
        if not math.isnan(effects.coolant_valve):
            opening = effects.coolant_valve
    else:
        opening = 1.0
    sink_c, sink_w_k = _sink(spec, truck, opening, effects.air)
    by_air = spec.circuit in (_BYPASS, _FULL_FLOW)
    sink_ref = AIR_REF_W_K if by_air else spec.coolant_rate_w_k
    through = _conductance(spec.cooler_ua_w_k, sink_ref, not by_air, to_cooler, sink_w_k)
    truck.cooling_w = through * (truck.line_c - sink_c)
    truck.air_cooling_w = 0.0
    if spec.circuit == _TANK and spec.air_cooler_ua_w_k > 0.0 and to_cooler > 0.0:
        _cool_by_air(spec, truck, effects.air, to_cooler)
    return float(to_cooler)


@compiled
def _cool_by_air(spec: Any, truck: Any, air: float, to_cooler: float) -> None:
    """Let the air cooler behind a radiator's tank take the fluid as the tank leaves it."""
    between_c = truck.line_c - truck.cooling_w / to_cooler
    air_c, air_w_k = _air(spec, truck, air)
    through = _conductance(spec.air_cooler_ua_w_k, AIR_REF_W_K, False, to_cooler, air_w_k)
    truck.air_cooling_w = through * (between_c - air_c)


@compiled
def _conductance(
    ua_w_k: float, sink_ref: float, counterflow: bool, hot_w_k: float, sink_w_k: float
) -> float:
    if hot_w_k < 0.01 or sink_w_k < 0.01:
        return 0.0
    resistance = (
        _HOT_SHARE / ua_w_k * (FLUID_REF_W_K / hot_w_k) ** 0.5
        + (1.0 - _HOT_SHARE) / ua_w_k * (sink_ref / sink_w_k) ** 0.6
    )
    least, most = min(hot_w_k, sink_w_k), max(hot_w_k, sink_w_k)
    units = 1.0 / (resistance * least)
    if counterflow:
        return float(least * _counterflow(units, least / most))
    return float(least * _crossflow(units, least / most))


@compiled
def _sink(spec: Any, truck: Any, opening: float, air: float) -> tuple[float, float]:
    """Give the temperature of what cools [°C] and its capacity rate [W/K]."""
    if spec.circuit == _EXCHANGER:
        share = max(opening, 0.01) if spec.coolant_valve else 1.0
        return truck.coolant_c, spec.coolant_rate_w_k * share
    if spec.circuit == _TANK:
        drop = min(max(0.25 * (truck.coolant_c - truck.ambient_c - 30.0), 0.0), 14.0)
        return truck.coolant_c - drop, spec.coolant_rate_w_k
    return _air(spec, truck, air)


@compiled
def _air(spec: Any, truck: Any, air: float) -> tuple[float, float]:
    rate = _air_rate(truck.speed_m_s, truck.fan, spec.air_per_speed_kg_m, spec.fan_kg_s)
    preheat = 2.0 + 6.0 / (1.0 + truck.speed_m_s)
    return truck.ambient_c + preheat, rate * air


@compiled
def warm(spec: Any, truck: Any, dt_s: float, pump_w_k: float, to_cooler: float) -> None:
    """Advance the nodes under the two heat flows."""
    converter, sump, metal = truck.converter_c, truck.sump_c, truck.metal_c
    line, back, ambient = truck.line_c, truck.return_c, truck.ambient_c
    still = pump_w_k <= 0.0
    case = spec.case_still_w_k + spec.case_per_root_speed_w_k * truck.speed_m_s**0.5
    under_c = ambient + (0.0 if still else 3.0)
    pan_w = 0.4 * case * (sump - under_c)
    case_w = 0.6 * case * (metal - under_c)
    through_w = spec.sump_metal_w_k * (sump - metal) * (0.25 if still else 1.0)
    cooling_w = truck.cooling_w + truck.air_cooling_w
    soak_w = (15.0 if still else 0.0) * (converter - sump)
    gained_w = truck.converter_w - pump_w_k * (converter - sump) - soak_w
    truck.converter_c += dt_s * gained_w / spec.converter_j_k
    line_w = spec.line_w_k * (line - ambient)
    truck.line_c += dt_s * (to_cooler * (converter - line) - line_w) / spec.line_j_k
    back_w = spec.line_w_k * (back - ambient)
    truck.return_c += dt_s * (to_cooler * (line - back) - cooling_w - back_w) / spec.return_j_k
    returned = pump_w_k * (converter - sump) - to_cooler * (converter - back)
    in_sump_w = 0.7 * truck.gearbox_w + returned + soak_w - pan_w - through_w
    truck.sump_c += dt_s * in_sump_w / spec.sump_j_k
    truck.metal_c += dt_s * (0.3 * truck.gearbox_w + through_w - case_w) / spec.metal_j_k


@compiled
def warm_coolant(spec: Any, truck: Any, dt_s: float) -> None:
    """Advance the coolant, its thermostat and its fan."""
    temp = truck.coolant_c
    heat = truck.cooling_w if spec.circuit in (_EXCHANGER, _TANK) else 0.0
    opening = 0.0
    if truck.running:
        heat += spec.idle_heat_w + spec.heat_per_brake_power * max(truck.power_w, 0.0)
        span = spec.thermostat_full_c - spec.thermostat_open_c
        opening = min(max((temp - spec.thermostat_open_c) / span, 0.0), 1.0)
    _switch_fan(spec, truck)
    conductance = 12.0 + opening * (
        spec.radiator_still_w_k
        + spec.radiator_per_speed_w_k * truck.speed_m_s
        + spec.radiator_fan_w_k * truck.fan
    )
    share = 1.0 - math.exp(-conductance * dt_s / spec.capacity_j_k)
    truck.coolant_c = temp + (heat / conductance + truck.ambient_c - temp) * share


@compiled
def _switch_fan(spec: Any, truck: Any) -> None:
    if not truck.running:
        truck.fan = 0.0
    elif truck.coolant_c > spec.fan_on_c:
        truck.fan = 1.0
    elif truck.coolant_c < spec.fan_off_c:
        truck.fan = 0.25
