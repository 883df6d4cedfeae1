"""Thermal nodes of the transmission and the circuit that cools it.

Five nodes: converter fluid, sump fluid with the pan, gearbox metal, the line to the cooler, and
the cooler with its return line. The pump moves sump fluid through the converter; what leaves it
goes to the cooler as far as the circuit lets it, the rest straight back to the sump. Behind a tank
in the radiator may stand an air cooler: it takes the fluid as the tank leaves it. Explicit
steps of at most one second: the fastest node (the line) has a time constant of several seconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from simulator.physics.cooler import Exchanger, air_rate_w_k
from simulator.physics.fluid import density_kg_m3, root_viscosity, specific_heat_j_kgk
from simulator.physics.valve import WaxValve

Circuit = Literal["thermostatic_bypass", "full_flow", "coolant_exchanger", "radiator_tank"]

FLUID_REF_W_K = 290.0
AIR_REF_W_K = 805.0
"""Capacity rates at which a cooler has its stated conductance [W/K]: 9.5 L/min of fluid, 0.8 kg/s of air."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ThermalSpec:
    """Capacities and conductances of one truck; magnitudes are common practice, no source."""

    circuit: Circuit = "thermostatic_bypass"
    sump_j_k: float = 34_000.0
    metal_j_k: float = 46_000.0
    converter_j_k: float = 12_000.0
    line_j_k: float = 2_600.0
    return_j_k: float = 4_200.0
    sump_metal_w_k: float = 330.0
    case_still_w_k: float = 12.0
    case_per_root_speed_w_k: float = 4.0
    line_w_k: float = 1.2
    flow_l_min: float = 12.0
    cooler_ua_w_k: float = 300.0
    air_cooler_ua_w_k: float = 0.0  # behind a radiator's tank; none: 0
    air_per_speed_kg_m: float = 0.045
    fan_kg_s: float = 0.45
    coolant_rate_w_k: float = 900.0
    valve_open_c: float = 82.0
    valve_full_c: float = 96.0
    valve_hysteresis_k: float = 5.0
    valve_lag_s: float = 25.0
    valve_flow_power: float = 1.4
    valve_leak: float = 0.01
    coolant_valve: bool = False


class Effects:
    """What injected faults do to the circuit at this moment."""

    __slots__ = ("air", "coolant_valve", "flow", "slip_rpm", "valve_high", "valve_low")

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Set everything back to healthy."""
        self.valve_low = 0.0
        self.valve_high = 1.0
        self.air = 1.0
        self.flow = 1.0
        self.slip_rpm = 0.0
        self.coolant_valve: float | None = None


class Thermal:
    """Temperatures of the nodes and the running sums of heat, for the balance."""

    __slots__ = (
        "air_cooler",
        "air_cooling_w",
        "conductance_w_k",
        "converter_c",
        "cooling_w",
        "exchanger",
        "heat_j",
        "line_c",
        "metal_c",
        "opening",
        "rejected_j",
        "return_c",
        "spec",
        "sump_c",
        "valve",
    )

    def __init__(self, spec: ThermalSpec, start_c: float, ambient_c: float) -> None:
        self.spec = spec
        self.converter_c = self.sump_c = self.metal_c = start_c
        self.line_c = self.return_c = ambient_c
        self.heat_j = 0.0
        self.rejected_j = 0.0
        self.cooling_w = 0.0
        self.air_cooling_w = 0.0
        self.conductance_w_k = 0.0
        self.opening = 0.0
        by_air = spec.circuit in ("thermostatic_bypass", "full_flow")
        self.exchanger = Exchanger(
            ua_w_k=spec.cooler_ua_w_k,
            hot_ref_w_k=FLUID_REF_W_K,
            sink_ref_w_k=AIR_REF_W_K if by_air else spec.coolant_rate_w_k,
            counterflow=not by_air,
        )
        self.air_cooler = (
            Exchanger(
                ua_w_k=spec.air_cooler_ua_w_k,
                hot_ref_w_k=FLUID_REF_W_K,
                sink_ref_w_k=AIR_REF_W_K,
            )
            if spec.circuit == "radiator_tank" and spec.air_cooler_ua_w_k > 0.0
            else None
        )
        self.valve = WaxValve(
            open_c=spec.valve_open_c,
            full_c=spec.valve_full_c,
            hysteresis_k=spec.valve_hysteresis_k,
            lag_s=spec.valve_lag_s,
            start_c=start_c,
        )

    def stored_j(self) -> float:
        """Heat in the nodes above 0 °C [J]."""
        spec = self.spec
        return (
            spec.converter_j_k * self.converter_c
            + spec.sump_j_k * self.sump_c
            + spec.metal_j_k * self.metal_c
            + spec.line_j_k * self.line_c
            + spec.return_j_k * self.return_c
        )

    def pump_rate_w_k(self, engine_rpm: float) -> float:
        """Capacity rate of the flow through the converter [W/K]; cold fluid flows less."""
        if engine_rpm <= 0.0:
            return 0.0
        root = root_viscosity(self.sump_c)
        litres = self.spec.flow_l_min * min(0.45 + engine_rpm / 3200.0, 1.15)
        litres /= 1.0 + root * root / 250.0
        mass = litres / 60_000.0 * density_kg_m3(self.converter_c)
        return mass * specific_heat_j_kgk(self.converter_c)

    def circuit(
        self,
        dt_s: float,
        *,
        pump_w_k: float,
        speed_m_s: float,
        fan: float,
        ambient_c: float,
        coolant_c: float,
        effects: Effects,
    ) -> float:
        """Set valve and cooler for this step; return the capacity rate sent to the cooler."""
        spec = self.spec
        opening = self.valve.step(self.sump_c, dt_s)
        to_cooler = pump_w_k * effects.flow
        if spec.circuit == "thermostatic_bypass":
            opening = min(max(opening, effects.valve_low), effects.valve_high)
            to_cooler *= max(opening**spec.valve_flow_power, spec.valve_leak)
        elif spec.circuit == "coolant_exchanger" and spec.coolant_valve:
            if effects.coolant_valve is not None:
                opening = effects.coolant_valve
        else:
            opening = 1.0
        self.opening = opening
        sink_c, sink_w_k = self._sink(
            opening, speed_m_s, fan, ambient_c, coolant_c, effects.air
        )
        self.conductance_w_k = self.exchanger.conductance_w_k(to_cooler, sink_w_k)
        self.cooling_w = self.conductance_w_k * (self.line_c - sink_c)
        if self.air_cooler is not None and to_cooler > 0.0:
            between_c = self.line_c - self.cooling_w / to_cooler
            air_c, air_w_k = self._air(speed_m_s, fan, ambient_c, effects.air)
            through_w_k = self.air_cooler.conductance_w_k(to_cooler, air_w_k)
            self.air_cooling_w = through_w_k * (between_c - air_c)
        else:
            self.air_cooling_w = 0.0
        return to_cooler

    def _sink(
        self,
        opening: float,
        speed_m_s: float,
        fan: float,
        ambient_c: float,
        coolant_c: float,
        air: float,
    ) -> tuple[float, float]:
        spec = self.spec
        if spec.circuit == "coolant_exchanger":
            share = max(opening, 0.01) if spec.coolant_valve else 1.0
            return coolant_c, spec.coolant_rate_w_k * share
        if spec.circuit == "radiator_tank":
            # The cold tank: coolant that has been through the radiator.
            drop = min(max(0.25 * (coolant_c - ambient_c - 30.0), 0.0), 14.0)
            return coolant_c - drop, spec.coolant_rate_w_k
        return self._air(speed_m_s, fan, ambient_c, air)

    def _air(
        self, speed_m_s: float, fan: float, ambient_c: float, air: float
    ) -> tuple[float, float]:
        """Give the temperature of the air before an air cooler [°C] and its capacity rate [W/K]."""
        spec = self.spec
        rate = air_rate_w_k(
            speed_m_s, fan, per_speed=spec.air_per_speed_kg_m, fan_kg_s=spec.fan_kg_s
        )
        # Ground heat and hot air blown back round the front of a truck that stands.
        preheat = 2.0 + 6.0 / (1.0 + speed_m_s)
        return ambient_c + preheat, rate * air

    def step(
        self,
        dt_s: float,
        *,
        converter_w: float,
        gearbox_w: float,
        pump_w_k: float,
        to_cooler: float,
        speed_m_s: float,
        ambient_c: float,
    ) -> None:
        """Advance the nodes by ``dt_s`` under two heat flows."""
        spec = self.spec
        converter, sump, metal = self.converter_c, self.sump_c, self.metal_c
        line, back = self.line_c, self.return_c
        case = spec.case_still_w_k + spec.case_per_root_speed_w_k * speed_m_s**0.5
        under_c = ambient_c + (3.0 if pump_w_k > 0.0 else 0.0)
        pan_w = 0.4 * case * (sump - under_c)
        case_w = 0.6 * case * (metal - under_c)
        line_w = spec.line_w_k * (line - ambient_c)
        back_w = spec.line_w_k * (back - ambient_c)
        through_w = spec.sump_metal_w_k * (sump - metal)
        if pump_w_k <= 0.0:
            through_w *= 0.25
        cooling_w = self.cooling_w + self.air_cooling_w
        soak_w = (15.0 if pump_w_k <= 0.0 else 0.0) * (converter - sump)
        self.converter_c += (
            dt_s * (converter_w - pump_w_k * (converter - sump) - soak_w) / spec.converter_j_k
        )
        self.line_c += dt_s * (to_cooler * (converter - line) - line_w) / spec.line_j_k
        self.return_c += (
            dt_s * (to_cooler * (line - back) - cooling_w - back_w) / spec.return_j_k
        )
        returned = pump_w_k * (converter - sump) - to_cooler * (converter - back)
        self.sump_c += (
            dt_s * (0.7 * gearbox_w + returned + soak_w - pan_w - through_w) / spec.sump_j_k
        )
        self.metal_c += dt_s * (0.3 * gearbox_w + through_w - case_w) / spec.metal_j_k
        self.heat_j += dt_s * (converter_w + gearbox_w)
        self.rejected_j += dt_s * (cooling_w + pan_w + case_w + line_w + back_w)
