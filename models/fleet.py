"""The fleet: which trucks there are, how each cools its fluid, what its fluid is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

Circuit = Literal["thermostatic_bypass", "full_flow", "coolant_exchanger", "radiator_tank"]
Cooler = Literal["stacked_plate", "tube_and_fin"]
ThermalClass = Literal["pickup", "medium", "heavy"]
Sensor = Literal["sump", "converter_out", "cooler_line"]

CHART_FLUID = "chart"
"""Name of the built-in fluid."""

CHART_DISTANCE_MI = 100_000.0
"""Life [mi] at 175 °F by the trade's published fluid-life chart; no primary source is known."""

CHART_MEAN_SPEED_MPH = 30.0
"""Mean speed [mi/h] that turns the chart's miles into hours: our statement, no source. At 20 or
50 mi/h the same miles are 5000 or 2000 h instead of 3333 h."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fluid:
    """Ageing of one fluid: its law, how sure that is, its viscosity and film limit.

    ``activation_energy_j_mol`` of the life-limiting reaction [J/mol]; ``reference_life_s`` [s]
    at ``reference_temp_c`` [°C]; ``film_temp_c`` [°C], where the viscosity falls to 4 cSt.
    ``chart``: points (temperature [°C], life [s]) by rising temperature; with them the rate is
    read from the chart. ``life_spread`` [-] is one standard deviation of the reference life as a
    factor. When the fluid is due, ``antioxidant_at_end`` [-] of its antioxidant is left, and it
    oxidises ``oxidation_factor`` [-] times as fast from there. ``kv40_mm2_s`` and
    ``kv100_mm2_s``: kinematic viscosity at 40 and 100 °C [mm²/s].
    """

    name: str
    activation_energy_j_mol: float
    reference_temp_c: float
    reference_life_s: float
    film_temp_c: float
    chart: tuple[tuple[float, float], ...] = ()
    activation_energy_sd_j_mol: float = 8_000.0
    life_spread: float = 1.65
    antioxidant_at_end: float = 0.25
    oxidation_factor: float = 4.0
    kv40_mm2_s: float = 29.6
    kv100_mm2_s: float = 6.0


CHART = Fluid(
    name=CHART_FLUID,
    # Fitted to the chart's seven rows up to 295 °F; above about 150 °C the chart is steeper.
    activation_energy_j_mol=77_010.0,
    reference_temp_c=(175.0 - 32.0) / 1.8,
    reference_life_s=CHART_DISTANCE_MI / CHART_MEAN_SPEED_MPH * 3600.0,
    film_temp_c=124.0,
)
"""The built-in fluid: the trade's published fluid-life chart, a rule of the trade without a
primary source, and the middle one of three fluid grades for the film."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The manager's own limits; None: chosen from the sensor's place and the fluid, or none.

    Temperatures [°C] of the fluid as this truck's sensor shows it; ``service_distance_km`` [km]
    and ``service_days`` [d] since the fill went in.
    """

    over_temperature_c: float | None = None
    over_temperature_critical_c: float | None = None
    service_distance_km: float | None = None
    service_days: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicle:
    """One truck.

    ``name`` is its name in the topic; ``title`` what people call it. ``thermostat_open_c`` and
    ``thermostat_full_c`` [°C]: where the bypass valve begins to open and is fully open.
    ``installed_ms`` [Unix ms] and ``installed_odometer_km`` [km] say when the present fill went
    in (None: unknown); ``life_used_at_start`` [-] what it had used by then (0 fresh, 1 due).
    ``rated_torque_nm`` [N·m] is the engine's torque at 100 % load (None: by class).
    ``registered``: it stands in the fleet file; else all of this is assumed.
    """

    name: str
    title: str = ""
    circuit: Circuit = "thermostatic_bypass"
    cooler: Cooler = "stacked_plate"
    fluid: str = CHART_FLUID
    fluid_total_l: float = 12.0
    thermostat_open_c: float = 82.0
    thermostat_full_c: float = 96.0
    thermal_class: ThermalClass = "medium"
    sensor: Sensor = "sump"
    installed_ms: int | None = None
    installed_odometer_km: float | None = None
    life_used_at_start: float = 0.0
    rated_torque_nm: float | None = None
    limits: Limits = field(default_factory=Limits)
    registered: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """The registered trucks and the fluids, by name; the built-in fluid is always there."""

    vehicles: Mapping[str, Vehicle] = field(default_factory=lambda: MappingProxyType({}))
    fluids: Mapping[str, Fluid] = field(
        default_factory=lambda: MappingProxyType({CHART_FLUID: CHART})
    )

    def vehicle(self, name: str) -> Vehicle:
        """Give a truck by its topic name; one that is not registered has every default."""
        return self.vehicles.get(name) or Vehicle(name=name, title=name, registered=False)

    def fluid_of(self, vehicle: Vehicle) -> Fluid:
        """Give the fluid that is in a truck."""
        return self.fluids[vehicle.fluid]
