"""A truck as the fleet file and its service record say, and the numbers its models step with.

The fleet file says what a truck is and what limits it has; the record says what happened to it,
and when. What the record changes (another fluid, another circuit) holds from its date on.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.held import NEVER_MS
from ingest.record import Entry
from models.course import NO_ENTRIES, Course
from models.fleet import FITTINGS, Fleet, Fluid, Limits, Vehicle
from models.parameters import FALSE_ALARMS_PER_H, parameters
from models.service import ENTRY, SERVICE_KINDS
from review.problems import BadSettings, Problem

CourseOf = Callable[[str, Sequence[Entry]], Course]
"""Gives the course of a truck by name and the entries of its record that count, in order of time."""

FLEET_FILE = "fleet file"
"""Who says what the fleet file says."""

_WORDS = {"title": "title", "circuit": "circuit", "cooler": "cooler", "fluid": "fluid",
    "class": "thermal_class", "sensor": "sensor"}  # fmt: skip
_VALVE = ("thermostat_open_c", "thermostat_full_c")
#: What no parameter depends on: two trucks of one kind differ in it.
_OF_ONE_TRUCK: dict[str, Any] = {"name": "", "title": "", "installed_ms": None,
    "installed_odometer_km": None, "life_used_at_start": 0.0}  # fmt: skip
_NUMBERS = ("fluid_total_l", *_VALVE, "rated_torque_nm")


def courses_of(
    fleet: Fleet,
    *,
    max_gap_s: float,
    silent_after_s: float,
    false_alarms_per_h: float = FALSE_ALARMS_PER_H,
    limits: Callable[[Limits], Limits] = lambda own: own,
) -> CourseOf:
    """Give the look-up for a fleet; a truck that is not in it has every default.

    ``limits`` makes of a truck's own limits those that it is given here.
    The look-up raises ``BadSettings`` where a record names a fluid that the fleet file has lost.
    """
    known: dict[str, Course] = {}
    rows_by_kind: dict[Vehicle, NDArray[Any]] = {}

    def row_of(vehicle: Vehicle) -> NDArray[Any]:
        kind = replace(vehicle, limits=limits(vehicle.limits), **_OF_ONE_TRUCK)
        if kind not in rows_by_kind:
            rows_by_kind[kind] = parameters(
                kind,
                _fluid_of(fleet, vehicle),
                max_gap_s=max_gap_s,
                silent_after_s=silent_after_s,
                false_alarms_per_h=false_alarms_per_h,
            )
        return rows_by_kind[kind]

    def look_up(name: str, entries: Sequence[Entry]) -> Course:
        if not entries and name in known:
            return known[name]
        stretches = _stretches(fleet, name, entries)
        rows = [row_of(vehicle) for vehicle, _ in stretches]
        noted = [
            as_row(entry, epoch) for epoch, (_, held) in enumerate(stretches) for entry in held
        ]
        # Alone it is shared: of a large fleet most trucks are of one kind.
        params = rows[0] if len(rows) == 1 else np.concatenate(rows)
        course = Course(params, np.array(noted, ENTRY) if noted else NO_ENTRIES)
        if not entries:
            known[name] = course
        return course

    return look_up


def vehicle_of(fleet: Fleet, name: str, entries: Sequence[Entry]) -> Vehicle:
    """Give a truck as it is now, after all that its record tells."""
    return _stretches(fleet, name, entries)[-1][0]


def at_first(fleet: Fleet, name: str, entries: Sequence[Entry]) -> Vehicle:
    """Give a truck as it was before the first dated change: the fleet file, else its registration."""
    if name in fleet.vehicles:
        return fleet.vehicles[name]
    told = [entry for entry in entries if entry.kind == "register"]
    if not told:
        return fleet.vehicle(name)
    return replace(_changed(fleet.vehicle(name), told[-1]), registered=True)


def _stretches(
    fleet: Fleet, name: str, entries: Sequence[Entry]
) -> list[tuple[Vehicle, list[Entry]]]:
    """Cut the record where the truck itself changes: what it is, and the entries while it is."""
    vehicle = at_first(fleet, name, entries)
    stretches: list[tuple[Vehicle, list[Entry]]] = [(vehicle, [])]
    dated = sorted((*installed(vehicle), *entries), key=lambda entry: entry.time_ms)
    for entry in dated:
        after = vehicle if entry.kind == "register" else _changed(vehicle, entry)
        if after != vehicle:
            vehicle = after
            stretches.append((vehicle, []))
        stretches[-1][1].append(entry)
    return stretches


def installed(vehicle: Vehicle) -> tuple[Entry, ...]:
    """Write what the fleet file says of the fill as the first entry of the record."""
    given = {
        "odometer_km": vehicle.installed_odometer_km,
        "life_used": vehicle.life_used_at_start or None,
    }
    numbers = {key: value for key, value in given.items() if value is not None}
    if vehicle.installed_ms is None and not numbers:
        return ()
    time_ms = NEVER_MS if vehicle.installed_ms is None else vehicle.installed_ms
    return (
        Entry(
            vehicle=vehicle.name,
            kind="install",
            time_ms=time_ms,
            numbers=numbers,
            who=FLEET_FILE,
            entered_ms=time_ms,
        ),
    )


def _fluid_of(fleet: Fleet, vehicle: Vehicle) -> Fluid:
    if vehicle.fluid in fleet.fluids:
        return fleet.fluid_of(vehicle)
    path = f"fluids.{vehicle.fluid}"
    what = (
        f"the fleet file has no such fluid, but the service record of {vehicle.name} names it"
    )
    raise BadSettings([Problem(path=path, what=what, mend=f"put [{path}] back into it")])


def _changed(vehicle: Vehicle, entry: Entry) -> Vehicle:
    """Give the truck as an entry leaves it; what belonged to a circuit that is gone goes with it."""
    told: dict[str, Any] = {
        field: entry.words[word] for word, field in _WORDS.items() if word in entry.words
    }
    circuit = told.get("circuit", vehicle.circuit)
    if circuit != vehicle.circuit:
        told |= dict.fromkeys(_VALVE)
    told |= {name: entry.numbers[name] for name in _NUMBERS if name in entry.numbers}
    for name, needed in FITTINGS.items():
        has = bool(entry.numbers.get(name, getattr(vehicle, name)))
        told[name] = has and circuit == needed
    return replace(vehicle, **told)


def as_row(entry: Entry, epoch: int) -> tuple[float, ...]:
    """Write an entry as the models read it; numbers that were not given are NaN."""
    own = {"time_ms": entry.time_ms, "kind": SERVICE_KINDS.index(entry.kind), "epoch": epoch}
    names = ENTRY.names or ()
    return tuple(own.get(name, entry.numbers.get(name, math.nan)) for name in names)
