"""Ready-made trucks: a class, a circuit, a set of sensors, and a plan in one call."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from simulator.faults import Fault
from simulator.gateway import GatewayPlan
from simulator.physics.driveline import DrivelineSpec
from simulator.physics.thermal import Circuit, ThermalSpec
from simulator.physics.truck import BodySpec, TruckSpec
from simulator.physics.weather import Weather
from simulator.plan import Registration, TruckClass, TruckPlan
from simulator.routes import Route, flat_tow
from simulator.sensors import WITH_TORQUE, Position, SensorFit

_EIGHT = (4.6, 2.95, 1.82, 1.41, 1.0, 0.77, 0.64)

#: Magnitudes are common practice, no source.
CLASSES: Mapping[TruckClass, TruckSpec] = {
    "pickup": TruckSpec(),
    "medium": TruckSpec(
        body=BodySpec(
            mass_kg=6_200.0, drag_area_m2=3.6, trailer_drag_area_m2=2.2, rolling=0.0085
        ),
        driveline=DrivelineSpec(
            peak_nm=1_000.0,
            peak_power_w=250_000.0,
            governed_rpm=2_700.0,
            full_torque_rpm=1_400.0,
            capacity_factor=68.0,
            final_drive=4.3,
            tyre_radius_m=0.42,
            shift_up_rpm=1_300.0,
        ),
        thermal=ThermalSpec(
            sump_j_k=40_000.0, metal_j_k=58_000.0, flow_l_min=12.5, cooler_ua_w_k=400.0
        ),
    ),
    "heavy": TruckSpec(
        body=BodySpec(
            mass_kg=9_000.0, drag_area_m2=5.2, trailer_drag_area_m2=2.0, rolling=0.0075
        ),
        driveline=DrivelineSpec(
            peak_nm=1_400.0,
            peak_power_w=300_000.0,
            governed_rpm=2_300.0,
            full_torque_rpm=1_200.0,
            capacity_factor=58.0,
            ratios=_EIGHT,
            final_drive=4.1,
            tyre_radius_m=0.48,
            mesh_loss=0.036,
            shift_up_rpm=1_200.0,
            shift_down_rpm=1_000.0,
            lockup_on_rpm=1_150.0,
            lockup_off_rpm=1_000.0,
        ),
        thermal=ThermalSpec(
            sump_j_k=52_000.0, metal_j_k=85_000.0, flow_l_min=16.0, cooler_ua_w_k=520.0
        ),
    ),
}

#: What a circuit needs of its exchanger over an air cooler: plate exchangers are small and
#: good.
EXCHANGER_SHARE: Mapping[Circuit, float] = {
    "thermostatic_bypass": 1.0,
    "full_flow": 0.75,
    "coolant_exchanger": 2.2,
    "radiator_tank": 1.6,
}

AIR_COOLER_SHARE = 0.3
"""Size of an air cooler behind a radiator's tank over the air cooler of a class that has no tank [-]; common
practice, no source: added coolers are small."""


def truck_spec(
    truck_class: TruckClass,
    circuit: Circuit,
    *,
    coolant_valve: bool = False,
    air_cooler: bool = False,
) -> TruckSpec:
    """Return the physics of a class with a circuit."""
    spec = CLASSES[truck_class]
    thermal = replace(
        spec.thermal,
        circuit=circuit,
        cooler_ua_w_k=spec.thermal.cooler_ua_w_k * EXCHANGER_SHARE[circuit],
        coolant_valve=coolant_valve,
        air_cooler_ua_w_k=AIR_COOLER_SHARE * spec.thermal.cooler_ua_w_k if air_cooler else 0.0,
    )
    if circuit == "coolant_exchanger":
        # The coolant valve opens with the fluid, well below the heat of a warm engine.
        thermal = replace(thermal, valve_open_c=70.0, valve_full_c=80.0)
    return replace(spec, thermal=thermal)


def truck_plan(
    vehicle: str,
    *,
    truck_class: TruckClass = "pickup",
    circuit: Circuit = "thermostatic_bypass",
    coolant_valve: bool = False,
    air_cooler: bool = False,
    route: Route | None = None,
    faults: tuple[Fault, ...] = (),
    signals: tuple[str, ...] = WITH_TORQUE,
    period_s: int = 10,
    position: Position = "sump",
    weather: Weather | None = None,
    gateway: GatewayPlan | None = None,
    start_temp_c: float | None = None,
) -> TruckPlan:
    """Return a plan for one ordinary truck; a flat tow and no fault unless told."""
    spec = truck_spec(truck_class, circuit, coolant_valve=coolant_valve, air_cooler=air_cooler)
    return TruckPlan(
        registration=Registration(
            vehicle=vehicle,
            name=f"{truck_class} {vehicle}",
            circuit=circuit,
            coolant_valve=coolant_valve,
            air_cooler=air_cooler,
            truck_class=truck_class,
            sensor=position,
            installed_odometer_km=80_000.0,
            rated_torque_nm=spec.driveline.peak_nm,
        ),
        spec=spec,
        route=route or flat_tow(),
        fit=SensorFit(signals=signals, period_s=period_s, position=position),
        weather=weather or Weather(),
        gateway=gateway or GatewayPlan(),
        faults=faults,
        start_temp_c=start_temp_c,
    )
