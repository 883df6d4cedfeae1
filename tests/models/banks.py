"""Records for the filters of the cooling circuit: a truck's parameters, windows of driving, covariances."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.circuit import (
    AIR_C,
    CONVERTER_W,
    COOLANT_C,
    DUTY,
    HEAT_W,
    LOCKED_W,
    RPM,
    SPAN_S,
    SPEED_KM_H,
)
from models.fleet import Vehicle
from models.layout import blank, dtype_of, record
from models.thermal import ThermalParams
from models.thermal_parameters import write_thermal

Floats = NDArray[np.float64]

KW = 1000.0


def params_of(vehicle: Vehicle, false_alarms_per_h: float = 1e-5) -> Any:
    """Give a truck's ``ThermalParams``."""
    params = blank(dtype_of(ThermalParams))
    write_thermal(params[0], vehicle, false_alarms_per_h)
    return record(params)


def driving(
    *,
    span_s: float = 30.0,
    heat_kw: float = 9.0,
    air_c: float = 25.0,
    coolant_c: float = 90.0,
    km_h: float = 70.0,
    rpm: float = 1700.0,
) -> Floats:
    """Give a window of steady driving, its clutch closed."""
    duty = np.zeros(DUTY)
    duty[SPAN_S] = span_s
    duty[HEAT_W] = heat_kw * KW
    duty[CONVERTER_W] = 0.1 * heat_kw * KW
    duty[LOCKED_W] = 10.0 * heat_kw * KW
    duty[AIR_C], duty[COOLANT_C] = air_c, coolant_c
    duty[SPEED_KM_H], duty[RPM] = km_h, rpm
    return duty


def covariance(random: np.random.Generator, sd: Floats) -> Floats:
    """Draw a covariance with these standard deviations, every pair related."""
    root = random.normal(size=(len(sd), len(sd) + 2))
    product = root @ root.T
    scale = sd / np.sqrt(product.diagonal())
    return np.asarray(product * np.outer(scale, scale))
