"""From the fleet file's words to the numbers the models step with: the priors of each class."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.ageing import rate
from models.fleet import Fluid, Limits, Vehicle
from models.kernel import PARAMS
from models.layout import blank, record
from models.sensor_watch import WARM_UP_BELOW_K
from models.thermal_parameters import (
    MARGINS,
    THERMAL_CLASSES,
    margins_of,
    sure_from,
    write_thermal,
)
from models.units import ZERO_CELSIUS_K

SENSOR_RISE_K: dict[str, float] = {"sump": 0.0, "converter_out": 20.0, "cooler_line": 20.0}
"""How much hotter than the sump a sensor's place may rightly be [K]. Common practice: makers'
limits for converter-out and sump lie 14 to 28 K apart."""

SUMP_LIMIT_C = 121.0
"""Highest sump temperature for sustained running [°C]; common practice, no source: 250 °F."""

LOWEST_LIMIT_C = 110.0
"""No limit is set below this by the fluid's grade alone [°C]."""

HIGH_STEP_K = 6.0
CRITICAL_STEP_K = 14.0
"""Above the limit by this [K], the alarm is high, critical: seals harden from about 127 °C, the
film of common fluids is gone near 135 °C. Common practice, no source."""

TYPICAL_C = 85.0
TYPICAL_KM_H = 48.3
TYPICAL_KM_PER_DAY = 100.0
"""What a truck is assumed to do until it is seen: fluid [°C] and mean speed [km/h] while running, and
distance a day [km/d], days at rest included. Own choice; the speed is the 30 mi/h that turns the fluid's
chart into hours. At 95 °C instead of 85 °C the assumed kilometre would cost twice as much."""

SERVICE_DAYS = 730.0
"""Time between services if nobody sets another [d]: two years; common practice, no source."""

STILL_AIR_SHARE = 0.6
"""Share of the case's conductance at 60 km/h where a truck stands [-]; common practice, no source. The heat
balance, of a truck under way, has its own (``models.cooler``)."""

SENSOR_SURE = 0.95
"""Probability that the fluid's sensor is off from which that is told [-]. Own choice; at 0.99 a biased sensor
takes about one night more."""

LEAP_K = 25.0
LEAP_K_S = 1.5
"""A reading of the fluid that is off the one before by more than this, and by more per second between them
[K, K/s], waits for the next to confirm it: places beyond the converter swing by some 20 K in 5 s. Own choice;
doubled, wild readings of up to 80 K are charged to the account."""

HOLD_S = 60.0
"""How long a signal that is sent more rarely than the others stays valid [s]."""

FALSE_ALARMS_PER_H = 4e-5
"""Fault alarms of a sound truck that are allowed [1/h of driving]. Own choice: one in about 20 years of
1,150 driving hours. With twice as many faults are found a little sooner: a threshold on evidence that
adds up goes with the logarithm of this, so that it falls by 0.7 of some 10."""


def parameters(
    vehicle: Vehicle,
    fluid: Fluid,
    *,
    max_gap_s: float,
    silent_after_s: float,
    false_alarms_per_h: float = FALSE_ALARMS_PER_H,
) -> NDArray[Any]:
    """Give the parameter record of a truck.

    Parameters
    ----------
    vehicle, fluid
        From the fleet file, or the defaults of an unregistered truck.
    max_gap_s
        Longest span between samples that counts as seen [s].
    silent_after_s
        How long a moving truck may be quiet [s].
    false_alarms_per_h
        Fault alarms of a sound truck that are allowed [1/h of driving].

    Returns
    -------
    array
        One record ``PARAMS``, shape (1,).
    """
    made = blank(PARAMS)
    params = made[0]
    capacity, case, _, torque = THERMAL_CLASSES[vehicle.thermal_class]
    params["latest"]["max_gap_s"] = max_gap_s
    params["latest"]["hold_s"] = HOLD_S
    params["latest"]["leap_k"] = LEAP_K
    params["latest"]["leap_k_s"] = LEAP_K_S
    params["latest"]["rated_torque_nm"] = _or(vehicle.rated_torque_nm, torque)
    params["kinematics"]["rated_torque_nm"] = params["latest"]["rated_torque_nm"]
    account = params["account"]
    _ageing(account, fluid)
    account["soak"]["time_constant_s"] = capacity / (STILL_AIR_SHARE * case)
    habits = account["habits"]
    habits["equivalent_s_per_run_s"] = rate(record(made).account.ageing, TYPICAL_C)
    habits["equivalent_s_per_km"] = habits["equivalent_s_per_run_s"] * 3600.0 / TYPICAL_KM_H
    habits["km_per_day"] = TYPICAL_KM_PER_DAY
    account["fluid_total_l"] = vehicle.fluid_total_l
    account["max_gap_s"] = max_gap_s
    write_thermal(params["thermal"], vehicle, false_alarms_per_h)
    _sensor(params, vehicle)
    params["silence"]["silent_after_s"] = silent_after_s
    _detectors(params, vehicle, fluid)
    return made


def _sensor(params: np.void, vehicle: Vehicle) -> None:
    """Write where the fluid's sensor sits, and the heat around it."""
    capacity, case, _, _ = THERMAL_CLASSES[vehicle.thermal_class]
    sensor = params["sensor"]
    sensor["fast"] = int(vehicle.sensor != "sump")
    sensor["line"] = int(vehicle.sensor == "cooler_line")
    sensor["follows_coolant"] = int(vehicle.circuit in ("coolant_exchanger", "radiator_tank"))
    bypass = vehicle.circuit == "thermostatic_bypass"
    sensor["closed_below_c"] = vehicle.valve_open_c - WARM_UP_BELOW_K if bypass else -300.0
    sensor["heat_capacity_j_k"] = capacity
    sensor["case_w_k"] = case


def _ageing(account: np.void, fluid: Fluid) -> None:
    """Write the fluid's law, its life, and how sure both are."""
    ageing = account["ageing"]
    ageing["activation_energy_j_mol"] = fluid.activation_energy_j_mol
    ageing["reference_c"] = fluid.reference_temp_c
    ageing["chart_points"] = len(fluid.chart)
    for row, (celsius, life_s) in enumerate(fluid.chart):
        ageing["chart_inverse_k"][row] = 1.0 / (celsius + ZERO_CELSIUS_K)
        ageing["chart_ln_rate"][row] = math.log(fluid.reference_life_s / life_s)
    account["reference_life_s"] = fluid.reference_life_s
    account["ln_life_sd"] = math.log(fluid.life_spread)
    account["exponent_sd"] = fluid.activation_energy_sd_j_mol / fluid.activation_energy_j_mol
    account["oxidation_factor"] = fluid.oxidation_factor
    account["antioxidant_at_end"] = fluid.antioxidant_at_end


def _detectors(params: np.void, vehicle: Vehicle, fluid: Fluid) -> None:
    limits = vehicle.limits
    rise_k = SENSOR_RISE_K[vehicle.sensor]
    by_grade = min(SUMP_LIMIT_C, max(LOWEST_LIMIT_C, fluid.film_temp_c))
    limit = _or(limits.over_temperature_c, by_grade + rise_k)
    critical = _or(limits.over_temperature_critical_c, limit + CRITICAL_STEP_K)
    params["over_temperature"]["limit_c"] = limit
    params["over_temperature"]["high_c"] = min(limit + HIGH_STEP_K, critical)
    params["over_temperature"]["critical_c"] = critical
    params["over_temperature"]["coolant_cooled"] = int(vehicle.circuit == "coolant_exchanger")
    params["over_temperature"]["foretells"] = int(vehicle.sensor == "sump")
    rise = params["over_temperature"]["rise"]
    capacity, case, cooler, _ = THERMAL_CLASSES[vehicle.thermal_class]
    rise["heat_capacity_j_k"], rise["case_w_k"], rise["cooler_w_k"] = capacity, case, cooler
    rate = params["thermal"]["false_alarms_per_h"]
    for kind in MARGINS:
        asked = zip(
            ("sure", "sure_near", "sure_guessed"), margins_of(kind, vehicle), strict=True
        )
        for name, margin in asked:
            params[kind][name] = sure_from(rate, margin)
        params[kind]["critical_c"] = limit
        params[kind]["full_c"] = vehicle.valve_full_c
        params[kind]["coolant_cooled"] = int(vehicle.circuit == "coolant_exchanger")
        params[kind]["assumed"] = int(not vehicle.registered)
    slip = params["lockup_slip"]
    slip["limit_c"], slip["false_alarms_per_h"] = limit, params["thermal"]["false_alarms_per_h"]
    params["sensor_fault"]["sure"] = SENSOR_SURE
    _service(params, limits, fluid)


def _service(params: np.void, limits: Limits, fluid: Fluid) -> None:
    service = params["service_due"]
    service["life_share"] = _or(limits.service_life_share, 1.0)
    service["distance_km"] = _or(limits.service_distance_km, math.nan)
    service["age_days"] = _or(limits.service_days, SERVICE_DAYS)
    service["reference_life_s"] = fluid.reference_life_s
    service["oxidation_factor"] = fluid.oxidation_factor
    habits = params["account"]["habits"]
    service["km_per_day"] = habits["km_per_day"]
    service["equivalent_s_per_day"] = habits["km_per_day"] * habits["equivalent_s_per_km"]


def _or(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value
