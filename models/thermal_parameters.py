"""From the fleet file's words to the cooling circuit's numbers: class priors, and its possible faults."""

from __future__ import annotations

import math

import numpy as np

from models import circuit
from models.fleet import Circuit, Sensor, Vehicle
from models.hypotheses import AIR, FLOW, LOW, OPEN, SHUT, SLIP, possible
from models.sequential import odds_threshold
from models.window import WINDOW_S

THERMAL_CLASSES: dict[str, tuple[float, float, float, float]] = {
    "pickup": (70e3, 25.0, 150.0, 650.0),
    "medium": (95e3, 30.0, 170.0, 950.0),
    "heavy": (140e3, 45.0, 220.0, 1600.0),
}
"""Prior of a class: heat capacity [J/K], case conductance [W/K] and open-cooler conductance
[W/K] at 60 km/h, rated torque [N·m]. Common practice, no source; each truck's own driving
corrects them."""

BALANCE_W_K: dict[str, tuple[float, float]] = {
    "pickup": (23.0, 150.0),
    "medium": (26.0, 190.0),
    "heavy": (33.0, 280.0),
}
"""Case and open cooler of a class at 60 km/h as the balance has them [W/K], where the converter's heat goes a
way of its own: near the middle of what tuning trucks show in fits of theirs."""

ERROR_SD_K: dict[str, float] = {"pickup": 1.4, "medium": 1.4, "heavy": 3.2}
"""What the balance of a class is off by through whole drives, one standard deviation [K]: best fits of 186
sound tuning trucks leave 1.36, 1.40 and 2.91 K."""

ALL_METAL = 1.2
"""Heat capacity of fluid and all metal, over that which follows the fluid within minutes [-]; own choice."""

FLUID_SHARE = 0.5
"""Share of the heat capacity that is the fluid's and what it wets [-]; own choice."""

BETWEEN_W_K = 330.0
BETWEEN_J_K = 90e3
"""Conductance between fluid and metal [W/K] of a gearbox of that heat capacity [J/K], common practice, no
source; of others it goes with the surface, the power 2/3."""

FLOW_PER_J_K = 270.0 / 90e3
"""Capacity rate of the pump's flow over the whole heat capacity [1/s]; common practice, no source."""

BY_COOLANT = 1.3
"""How many times an air cooler's conductance an exchanger with coolant has [-]; common practice,
no source."""

BEGINS_PER_H: dict[int, float] = {
    SHUT: 1e-4,
    LOW: 0.4e-4,
    OPEN: 0.6e-4,
    AIR: 1.2e-4,
    FLOW: 0.8e-4,
    SLIP: 0.05e-4,
}
"""How often a fault begins [1/h of driving]; own choice, some ten times as often as trucks have them: odds
that start lower find the same faults a little later. Only their ratios tell one fault from another. More heat
from a slipping clutch is weighed only where no signal tells its speeds (``models.window``); elsewhere
``lockup_slip`` judges it."""

MARGINS: dict[str, float] = {
    "bypass_stuck": 0.7,
    "overcooled": 1.5,
    "coolant_valve_stuck": 12.0,
    "cooler_starved": 30.0,
    "heat_rejection_low": 12.0,
}
"""How many times as sure as the allowed rate of false alarms asks each alarm of the circuit is [-]: what
rests on the cooler's conductance alone is surer than a valve at one of its ends. Found on the tuning
trucks."""

NEAR_MARGINS: dict[str, float] = {"bypass_stuck": 0.2}
"""The same near the limit of the fluid, where a healthy circuit hardly ever is [-]. On the tuning
trucks none of 563 healthy ones with such a valve came near it in 6.2 truck-years."""

HEAVY, BYPASS_BY_LINE = 10.0, 10.0
"""How many times as sure beside that some must be [-]: of a heavy truck, whose balance is the least well
known, that it is over-cooled or, unless it is near the limit, its cooler starved; and, near it too, of a
valve behind which the cooler's line stands where only that line is read, as it stands in a cold start: of a
heavy one both. On tuning trucks ten times each costs two of 167 over-cooled ones, a hundredth of the lacks of
air or flow, and one of 187 stuck valves is told too late."""

GUESSED_LOAD: dict[str, float] = {"cooler_starved": 20.0, "heat_rejection_low": 20.0}
"""The same while load must be guessed, unless near the limit [-]: a grade that no signal tells looks like a
lack of cooling. On 2,000 tuning trucks it costs 2 of 779 finds."""

_KINDS: dict[Circuit, int] = {
    "thermostatic_bypass": circuit.BYPASS,
    "full_flow": circuit.FULL_FLOW,
    "coolant_exchanger": circuit.COOLANT,
    "radiator_tank": circuit.TANK,
}
_SITES: dict[Sensor, int] = {
    "sump": circuit.SUMP,
    "converter_out": circuit.CONVERTER_OUT,
    "cooler_line": circuit.COOLER_LINE,
}


def sure_from(false_alarms_per_h: float, margin: float = 1.0) -> float:
    """Probability of a fault from which people are told [-] for an allowed rate of false alarms [1/h].

    Told at odds that are ``margin`` times those of ``models.sequential``: there false alarms come at most
    that often where the models are right.
    """
    hazard = sum(BEGINS_PER_H.values()) * WINDOW_S / 3600.0
    odds = margin * math.exp(odds_threshold(false_alarms_per_h, WINDOW_S, hazard))
    return odds / (1.0 + odds)


def margins_of(kind: str, vehicle: Vehicle) -> tuple[float, float, float]:
    """Give how many times as sure as the rate asks an alarm must be [-].

    Anywhere, near the limit, and while load must be guessed.
    """
    margin = MARGINS[kind]
    near = min(margin, NEAR_MARGINS.get(kind, margin))
    heavy = HEAVY if vehicle.thermal_class == "heavy" else 1.0
    if kind in ("overcooled", "cooler_starved"):
        margin *= heavy
    elif kind == "bypass_stuck" and vehicle.sensor == "cooler_line":
        margin *= BYPASS_BY_LINE * heavy
        near = margin
    return margin, near, margin * GUESSED_LOAD.get(kind, 1.0)


def write_thermal(thermal: np.void, vehicle: Vehicle, false_alarms_per_h: float) -> None:
    """Write the record ``models.thermal.ThermalParams`` of a truck."""
    thermal["false_alarms_per_h"] = false_alarms_per_h
    thermal["error_sd_k"] = ERROR_SD_K[vehicle.thermal_class]
    thermal["assumed"] = int(not vehicle.registered)
    found = possible(
        vehicle.circuit, coolant_valve=vehicle.coolant_valve, air_cooler=vehicle.air_cooler
    )
    for place, rate in BEGINS_PER_H.items():
        if place in found:
            thermal["bank"]["begins_per_h"][place] = rate
    if kind_of(vehicle) != circuit.BYPASS:
        # Without a valve that could stick part-way nothing but the cooler's own flows can be at fault.
        thermal["bank"]["begins_per_h"][LOW] *= 0.1
    capacity = ALL_METAL * THERMAL_CLASSES[vehicle.thermal_class][0]
    case, cooler = BALANCE_W_K[vehicle.thermal_class]
    params = thermal["bank"]["circuit"]
    params["kind"] = kind_of(vehicle)
    params["site"] = _SITES[vehicle.sensor]
    params["fluid_j_k"] = FLUID_SHARE * capacity
    params["metal_j_k"] = (1.0 - FLUID_SHARE) * capacity
    params["fluid_metal_w_k"] = BETWEEN_W_K * (capacity / BETWEEN_J_K) ** (2.0 / 3.0)
    params["flow_w_k"] = FLOW_PER_J_K * capacity
    params["case_w_k"] = case
    params["cooler_w_k"] = cooler * (BY_COOLANT if params["kind"] >= circuit.COOLANT else 1.0)
    params["open_c"] = vehicle.valve_open_c
    params["full_c"] = vehicle.valve_full_c


def kind_of(vehicle: Vehicle) -> int:
    """Give the kind of circuit as ``models.circuit`` numbers them."""
    if vehicle.circuit == "coolant_exchanger" and vehicle.coolant_valve:
        return circuit.COOLANT_VALVE
    if vehicle.circuit == "radiator_tank" and vehicle.air_cooler:
        return circuit.TANK_AND_AIR
    return _KINDS[vehicle.circuit]
