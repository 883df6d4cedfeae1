"""A fleet to simulate: what its fleet file says of each truck, and what is really so."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from simulator.faults import Fault
from simulator.gateway import GatewayPlan
from simulator.physics.thermal import Circuit
from simulator.physics.truck import TruckSpec
from simulator.physics.weather import Weather
from simulator.routes import Route
from simulator.sensors import Position, SensorFit

TruckClass = Literal["pickup", "medium", "heavy"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Registration:
    """What the fleet file says of one truck."""

    vehicle: str
    name: str = ""
    circuit: Circuit = "thermostatic_bypass"
    cooler: Literal["stacked_plate", "tube_and_fin"] = "stacked_plate"
    fluid: str = "standard"
    fluid_total_l: float = 12.0
    thermostat_open_c: float | None = None
    thermostat_full_c: float | None = None
    coolant_valve: bool = False
    air_cooler: bool = False
    truck_class: TruckClass = "pickup"
    sensor: Position = "sump"
    installed: str = "2026-01-15"
    installed_odometer_km: float = 0.0
    life_used_at_start: float = 0.0
    rated_torque_nm: float | None = None
    limits: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckPlan:
    """One truck to simulate."""

    registration: Registration
    spec: TruckSpec
    route: Route
    fit: SensorFit = field(default_factory=SensorFit)
    weather: Weather = field(default_factory=Weather)
    gateway: GatewayPlan = field(default_factory=GatewayPlan)
    faults: tuple[Fault, ...] = ()
    start_temp_c: float | None = None  # of the fluid; none: a cold start
    odometer_km: float = 84_000.0
    engine_hours_h: float = 2_100.0

    @property
    def vehicle(self) -> str:
        """The truck's name on the wire."""
        return self.registration.vehicle


#: Ageing of the fluid most plans use, in the words of the fleet file.
STANDARD_FLUID: Mapping[str, float] = {
    "activation_energy_kj_mol": 77.0,
    "reference_temp_c": 79.44,
    "reference_life_h": 2_500.0,
    "film_temp_c": 124.0,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """Trucks simulated together."""

    name: str
    plans: tuple[TruckPlan, ...]
    fluids: Mapping[str, Mapping[str, float]] = field(
        default_factory=lambda: {"standard": STANDARD_FLUID}
    )


UNSAID = frozenset({"life_used_at_start", "coolant_valve", "air_cooler"})
"""Keys that are left out where they say nothing."""


def fleet_toml(fleet: Fleet) -> str:
    """Write the fleet file of a fleet."""
    lines: list[str] = []
    for plan in fleet.plans:
        registration = plan.registration
        lines.append(f"[vehicles.{_key(registration.vehicle)}]")
        for key in Registration.__dataclass_fields__:
            value = getattr(registration, key)
            unsaid = value is None or (key in UNSAID and not value)
            if key in ("vehicle", "limits") or unsaid:
                continue
            lines.append(f"{'class' if key == 'truck_class' else key} = {_value(value)}")
        if registration.limits:
            lines.extend(["", f"[vehicles.{_key(registration.vehicle)}.limits]"])
            lines.extend(
                f"{key} = {_value(value)}" for key, value in registration.limits.items()
            )
        lines.append("")
    for name, fluid in fleet.fluids.items():
        lines.append(f"[fluids.{_key(name)}]")
        lines.extend(f"{key} = {_value(value)}" for key, value in fluid.items())
        lines.append("")
    return "\n".join(lines)


def _key(name: str) -> str:
    return f'"{name}"' if "." in name else name


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f'"{value}"' if isinstance(value, str) else repr(value)
