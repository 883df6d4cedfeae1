"""A truck as numbers side by side: what it is, how it stands, what its faults do to it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from simulator.faults import Fault, apply_to_truck
from simulator.physics.coolant import CoolantSpec
from simulator.physics.driveline import DrivelineSpec
from simulator.physics.thermal import Circuit, Effects, ThermalSpec
from simulator.physics.truck import BodySpec, TruckSpec

CIRCUITS: tuple[str, ...] = get_args(Circuit)
"""A record names a circuit by its place here."""

MOST_GEARS = 8

_PARTS = (BodySpec, DrivelineSpec, ThermalSpec, CoolantSpec)


def _spec_fields() -> Iterable[tuple[str, Any] | tuple[str, str, tuple[int]]]:
    for part in _PARTS:
        for field in fields(part):
            yield (
                ("ratios", "f8", (MOST_GEARS,))
                if field.name == "ratios"
                else (
                    field.name,
                    "f8" if field.type == "float" else "i8",
                )
            )
    yield ("gears", "i8")


#: What a truck is: every number of a ``TruckSpec``.
SPEC: np.dtype[np.void] = np.dtype(list(_spec_fields()))

_NUMBERS = (
    "ambient_c",
    "speed_m_s",
    "distance_m",
    "engine_s",
    "trailer_kg",
    "rough",
    "unrest",
    "shifted_s",
    "stood_s",
    "engine_rpm",
    "engine_nm",
    "full_nm",
    "slip_rpm",
    "converter_w",
    "gearbox_w",
    "power_w",
    "converter_c",
    "sump_c",
    "metal_c",
    "line_c",
    "return_c",
    "cooling_w",
    "air_cooling_w",
    "element_c",
    "opening",
    "coolant_c",
    "fan",
)

#: How a truck stands; the names are those of ``Truck`` and its parts.
TRUCK: np.dtype[np.void] = np.dtype(
    [*((name, "f8") for name in _NUMBERS), ("gear", "i8"), ("lockup", "i8"), ("running", "i8")]
)

EFFECTS: np.dtype[np.void] = np.dtype(
    [
        (name, "f8")
        for name in ("valve_low", "valve_high", "air", "flow", "slip_rpm", "coolant_valve")
    ]
)
"""As ``Effects``; no stuck coolant valve is NaN."""


def spec_record(spec: TruckSpec) -> NDArray[Any]:
    """Write a truck's physics as a record, shape (1,)."""
    made = np.zeros(1, SPEC)
    for part in (spec.body, spec.driveline, spec.thermal, spec.coolant):
        for field in fields(part):
            if field.name not in ("ratios", "circuit"):
                made[field.name] = getattr(part, field.name)
    ratios = spec.driveline.ratios
    made["ratios"][0, : len(ratios)] = ratios
    made["gears"] = len(ratios)
    made["circuit"] = CIRCUITS.index(spec.thermal.circuit)
    return made


def cold_truck(temp_c: float, spec: TruckSpec) -> NDArray[Any]:
    """Give a truck that stands, all of it at the temperature of the air, shape (1,)."""
    truck = np.zeros(1, TRUCK)
    nodes = ("converter_c", "sump_c", "metal_c", "line_c", "return_c", "element_c")
    for name in (*nodes, "coolant_c", "ambient_c"):
        truck[name] = temp_c
    truck["full_nm"] = spec.driveline.peak_nm
    return truck


def effects_record(faults: Iterable[Fault], elapsed_s: float) -> NDArray[Any]:
    """Write what a truck's faults do to it at a moment, shape (1,)."""
    effects = Effects()
    apply_to_truck([each for each in faults if each.place == "truck"], elapsed_s, effects)
    made = np.zeros(1, EFFECTS)
    named: Mapping[str, float | None] = {
        name: getattr(effects, name) for name in EFFECTS.names or ()
    }
    for name, value in named.items():
        made[name] = math.nan if value is None else value
    return made
