"""The fleet: which trucks there are, how each cools its fluid, what its fluid is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

from models.chart import energy_j_mol

Circuit = Literal["thermostatic_bypass", "full_flow", "coolant_exchanger", "radiator_tank"]
Cooler = Literal["stacked_plate", "tube_and_fin"]
ThermalClass = Literal["pickup", "medium", "heavy"]
Sensor = Literal["sump", "converter_out", "cooler_line"]

CHART_FLUID = "chart"
"""Name of the default fluid: one activation energy, fitted to the trade's chart where trucks live."""

CHART_ROWS_FLUID = "chart-rows"
"""Name of the other built-in fluid: the trade's chart row by row."""

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
    ``chart``: 2 to 16 points (temperature [°C], life [s]) by rising temperature; with them the
    rate is read from the chart, and the activation energy serves to say how sure that is.
    ``life_spread`` [-] is one standard deviation of the reference life as a factor. When the fluid
    is due, ``antioxidant_at_end`` [-] of its antioxidant is left, and it oxidises
    ``oxidation_factor`` [-] times as fast from there. ``kv40_mm2_s`` and ``kv100_mm2_s``:
    kinematic viscosity at 40 and 100 °C [mm²/s].
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


TRADE_CHART_ROWS = (
    (175.0, 100_000.0),
    (195.0, 50_000.0),
    (212.0, 25_000.0),
    (235.0, 12_000.0),
    (255.0, 6_250.0),
    (275.0, 3_000.0),
    (295.0, 1_500.0),
    (315.0, 750.0),
    (335.0, 325.0),
    (355.0, 160.0),
    (375.0, 80.0),
    (390.0, 40.0),
)
"""The trade's fluid-life chart [°F, mi]: two public enthusiast pages carry it, one of 2002; no
primary source is known. Printings differ: this is the one with 212 °F (not 215) in the third row
and 6,250 mi (not 6,000) in the fifth, without the last line of 415 °F and "less than 30 minutes"."""

TRADE_CHART = tuple(
    ((fahrenheit - 32.0) / 1.8, miles / CHART_MEAN_SPEED_MPH * 3600.0)
    for fahrenheit, miles in TRADE_CHART_ROWS
)
"""The same as points (temperature [°C], life [s]) at the stated mean speed."""

CHART = Fluid(
    name=CHART_FLUID,
    # Fitted to the chart's seven rows up to 295 °F; above about 150 °C the chart is steeper.
    activation_energy_j_mol=77_010.0,
    reference_temp_c=TRADE_CHART[0][0],
    reference_life_s=TRADE_CHART[0][1],
    film_temp_c=124.0,
)
"""The default fluid: the trade's published fluid-life chart, a rule of the trade without a
primary source, and the middle one of three fluid grades for the film."""

CHART_ROWS = Fluid(
    name=CHART_ROWS_FLUID,
    activation_energy_j_mol=energy_j_mol(TRADE_CHART),
    reference_temp_c=CHART.reference_temp_c,
    reference_life_s=CHART.reference_life_s,
    film_temp_c=CHART.film_temp_c,
    chart=TRADE_CHART,
)
"""The same chart row by row. From 79 to 150 °C it charges 0.85 to 1.07 times what the fit does, hotter
more: 1.6 times at 168 °C, 3.2 times at 199 °C. ``models/README.md`` says why it is not the default."""

BUILT_IN_FLUIDS: Mapping[str, Fluid] = MappingProxyType(
    {fluid.name: fluid for fluid in (CHART, CHART_ROWS)}
)
"""The fluids that need no entry in the fleet file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """The manager's own limits; None: the usual, for the sensor's place, the fluid, the towing.

    Temperatures [°C] of the fluid as this truck's sensor shows it; ``service_distance_km`` [km]
    and ``service_days`` [d] since the last service, and ``service_life_share`` [-] of the fluid's
    life: a service is due at the first of the three.
    """

    over_temperature_c: float | None = None
    over_temperature_critical_c: float | None = None
    service_distance_km: float | None = None
    service_days: float | None = None
    service_life_share: float | None = None


USUAL_VALVE_C = (82.0, 96.0)
"""Where a bypass valve begins to open and is fully open [°C]; common practice, no source."""

USUAL_COOLANT_VALVE_C = (70.0, 80.0)
"""The same of a coolant valve, by the fluid's temperature [°C]; common practice, no source: well below
the coolant of a warm engine, so that it helps the fluid to warm and then holds it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Vehicle:
    """One truck.

    ``name`` is its name in the topic; ``title`` what people call it. ``thermostat_open_c`` and
    ``thermostat_full_c`` [°C]: where the valve of the circuit begins to open and is fully open (None: the
    usual; ``valve_open_c`` and ``valve_full_c`` have it filled in). ``coolant_valve``: a coolant exchanger
    has a valve in its coolant; ``air_cooler``: an air cooler follows the radiator's tank.
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
    thermostat_open_c: float | None = None
    thermostat_full_c: float | None = None
    coolant_valve: bool = False
    air_cooler: bool = False
    thermal_class: ThermalClass = "medium"
    sensor: Sensor = "sump"
    installed_ms: int | None = None
    installed_odometer_km: float | None = None
    life_used_at_start: float = 0.0
    rated_torque_nm: float | None = None
    limits: Limits = field(default_factory=Limits)
    registered: bool = True

    @property
    def valve_open_c(self) -> float:
        """Where the valve of the circuit begins to open [°C]; the usual unless told."""
        told = self.thermostat_open_c
        return usual_valve_c(self.circuit)[0] if told is None else told

    @property
    def valve_full_c(self) -> float:
        """Where it is fully open [°C]; the usual unless told."""
        told = self.thermostat_full_c
        return usual_valve_c(self.circuit)[1] if told is None else told


def usual_valve_c(circuit: str) -> tuple[float, float]:
    """Give where the valve of a circuit usually begins to open and is fully open [°C]."""
    return USUAL_COOLANT_VALVE_C if circuit == "coolant_exchanger" else USUAL_VALVE_C


FITTINGS: Mapping[str, Circuit] = MappingProxyType(
    {"coolant_valve": "coolant_exchanger", "air_cooler": "radiator_tank"}
)
"""What a truck may have beside its cooler, and the one circuit that can have it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fleet:
    """The registered trucks and the fluids, by name; the built-in fluids are always there."""

    vehicles: Mapping[str, Vehicle] = field(default_factory=lambda: MappingProxyType({}))
    fluids: Mapping[str, Fluid] = field(default_factory=lambda: BUILT_IN_FLUIDS)

    def vehicle(self, name: str) -> Vehicle:
        """Give a truck by its topic name; one that is not registered has every default."""
        return self.vehicles.get(name) or Vehicle(name=name, title=name, registered=False)

    def fluid_of(self, vehicle: Vehicle) -> Fluid:
        """Give the fluid that is in a truck."""
        return self.fluids[vehicle.fluid]
