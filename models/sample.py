"""One sample: the signals of the message contract, their units and their physical ranges.

This table is the single place where a signal is defined. The decoder refuses what lies outside
the range, the journal stores one column per signal, the models read them by name.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

Kind = Literal["number", "integer", "boolean"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """One signal of the contract: name with its unit, kind, closed physical range, meaning."""

    name: str
    unit: str
    kind: Kind
    low: float
    high: float
    meaning: str


def _number(name: str, unit: str, low: float, high: float, meaning: str) -> Signal:
    return Signal(name=name, unit=unit, kind="number", low=low, high=high, meaning=meaning)


SIGNALS: tuple[Signal, ...] = (
    _number("fluid_temp_c", "°C", -60.0, 300.0, "transmission fluid in the sump or pan"),
    _number("cooler_out_temp_c", "°C", -60.0, 300.0, "line leaving the gearbox to the cooler"),
    _number("cooler_return_temp_c", "°C", -60.0, 300.0, "line coming back from the cooler"),
    _number("ambient_temp_c", "°C", -60.0, 70.0, "outside air"),
    _number("coolant_temp_c", "°C", -60.0, 160.0, "engine coolant"),
    _number("speed_km_h", "km/h", 0.0, 250.0, "road speed"),
    _number("engine_rpm", "1/min", 0.0, 10000.0, "engine speed"),
    _number("engine_load_pct", "%", 0.0, 150.0, "share of the available torque"),
    _number("engine_torque_nm", "N·m", -2000.0, 10000.0, "engine torque, better than load"),
    Signal(
        name="gear",
        unit="-",
        kind="integer",
        low=-8.0,
        high=24.0,
        meaning="0 neutral or park, negative reverse",
    ),
    Signal(
        name="lockup",
        unit="-",
        kind="boolean",
        low=0.0,
        high=1.0,
        meaning="converter clutch commanded on",
    ),
    _number("lockup_slip_rpm", "1/min", -5000.0, 10000.0, "slip of the converter clutch"),
    _number("odometer_km", "km", 0.0, 10_000_000.0, "distance counter of the truck"),
    _number("engine_hours_h", "h", 0.0, 500_000.0, "engine hour counter"),
    Signal(
        name="trailer", unit="-", kind="boolean", low=0.0, high=1.0, meaning="trailer hitched"
    ),
)

SIGNAL_NAMES: tuple[str, ...] = tuple(signal.name for signal in SIGNALS)

#: One sample as the models see it: Unix time in ms, then each signal (NaN where absent).
SAMPLE: np.dtype[np.void] = np.dtype(
    [("time_ms", "i8"), *((name, "f8") for name in SIGNAL_NAMES)]
)
