"""What an entry of the service record must fulfil before it is added."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import get_args

from deploy.problems import Mistake, nearest
from deploy.trucks import vehicle_of
from ingest import record
from ingest.record import Entry
from ingest.wire import vehicle_name
from models.fleet import Circuit, Cooler, Fleet, Sensor, ThermalClass, Vehicle
from models.service import SERVICE_KINDS

FUTURE_MS = 300_000
"""How far ahead of our clock an entry may lie: the clocks of two machines differ [ms]."""

EARLIEST_MS = 631_152_000_000
"""1990-01-01T00:00Z: an older date is a slip of the pen [Unix ms]."""

LONGEST_NOTE = 2_000
LONGEST_NAME = 100

TRUCK_NUMBERS = ("fluid_total_l", "thermostat_open_c", "thermostat_full_c", "rated_torque_nm")
TRUCK_WORDS = ("title", "circuit", "cooler", "fluid", "class", "sensor")
_SERVICE = ("volume_l", "odometer_km", "filter")


class CannotEnter(Mistake):
    """An entry cannot be added to the record."""


@dataclass(frozen=True, slots=True)
class Names:
    """The numbers and words that entries of a kind may have, and those they must."""

    numbers: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    required: tuple[str, ...] = ()


NAMES: Mapping[str, Names] = {
    "register": Names(TRUCK_NUMBERS, TRUCK_WORDS),
    "install": Names(("life_used", "odometer_km", "filter"), ("fluid",)),
    "exchange": Names(_SERVICE),
    "pan_drop": Names(_SERVICE),
    "filter": Names(("odometer_km",)),
    "top_up": Names(("volume_l", "odometer_km"), (), ("volume_l",)),
    "fluid_change": Names(_SERVICE, ("fluid",), ("fluid",)),
    "gearbox": Names((*TRUCK_NUMBERS, "life_used", "odometer_km"), TRUCK_WORDS[1:]),
    "circuit": Names(
        ("fluid_total_l", "thermostat_open_c", "thermostat_full_c", "odometer_km"),
        ("circuit", "cooler"),
    ),
    "sample": Names(
        (
            "antioxidant",
            "antioxidant_sd",
            "acid_mg_g",
            "acid_new_mg_g",
            "acid_rise_mg_g",
            "acid_limit_mg_g",
            "oxidation",
            "viscosity_mm2_s",
            "viscosity_new_mm2_s",
            "viscosity_change",
            "water_share",
            "glycol",
            "lab_sd",
            "odometer_km",
        )
    ),
}
"""By kind of entry."""

FINDINGS = (
    "antioxidant",
    "acid_rise_mg_g",
    "oxidation",
    "viscosity_change",
    "water_share",
    "glycol",
)
"""What a laboratory sample may have found; at least one must be there."""

_RANGES: Mapping[str, tuple[float, float]] = {
    "volume_l": (0.05, 200.0),
    "odometer_km": (0.0, 1e7),
    "life_used": (0.0, 10.0),
    "filter": (0.0, 1.0),
    "fluid_total_l": (1.0, 100.0),
    "thermostat_open_c": (30.0, 150.0),
    "thermostat_full_c": (30.0, 150.0),
    "rated_torque_nm": (20.0, 10_000.0),
    "antioxidant": (0.0, 1.2),
    "antioxidant_sd": (0.005, 0.5),
    "acid_mg_g": (0.0, 50.0),
    "acid_new_mg_g": (0.0, 50.0),
    "acid_rise_mg_g": (-5.0, 50.0),
    "acid_limit_mg_g": (0.1, 50.0),
    "oxidation": (0.0, 10.0),
    "viscosity_mm2_s": (0.5, 1000.0),
    "viscosity_new_mm2_s": (0.5, 1000.0),
    "viscosity_change": (-0.95, 10.0),
    "water_share": (0.0, 1.0),
    "glycol": (0.0, 1.0),
    "lab_sd": (0.02, 5.0),
}
"""What is believed of a number: beyond, it is a slip of the pen. Own choice."""

_CHOICES: Mapping[str, tuple[str, ...]] = {
    "circuit": get_args(Circuit),
    "cooler": get_args(Cooler),
    "class": get_args(ThermalClass),
    "sensor": get_args(Sensor),
}


def examine(conn: sqlite3.Connection, fleet: Fleet, entry: Entry, *, now_ms: int) -> None:
    """Check an entry against its kind, the fleet file and the truck's record.

    Parameters
    ----------
    conn
        A connection to the store.
    fleet
        What the fleet file says.
    entry
        The entry; one that supersedes another is checked without that one.
    now_ms
        Now [Unix ms].

    Raises
    ------
    CannotEnter
        With what is wrong and how to mend it.
    UnknownTruck
        Nobody knows the truck.
    """
    if entry.kind not in NAMES:
        raise CannotEnter(f"there is no entry of the kind {entry.kind!r}; {_of(SERVICE_KINDS)}")
    entries = [
        each
        for each in record.effective(conn, entry.vehicle)
        if each.id is None or each.id != entry.supersedes
    ]
    _who_and_when(entry, now_ms)
    _truck(conn, fleet, entry, entries)
    _numbers(entry)
    _words(entry, fleet)
    _together(entry, vehicle_of(fleet, entry.vehicle, _until(entries, entry)))


class UnknownTruck(Mistake):
    """Nobody knows a truck of this name."""

    def __init__(self, name: str, known: frozenset[str]) -> None:
        hint = f"; {nearest(name, known, 'truck')}" if known else ""
        super().__init__(
            f"no truck is named {name!r}: it is in neither the fleet file nor the record, and "
            f"was never heard{hint}; 'heatbook fleet register' takes in a new one"
        )


def known_trucks(conn: sqlite3.Connection, fleet: Fleet) -> frozenset[str]:
    """Name every truck that the fleet file names, the record tells of, or that was heard."""
    heard = {name for (name,) in conn.execute("SELECT name FROM vehicle")}
    told = {name for (name,) in conn.execute("SELECT DISTINCT vehicle FROM service_entry")}
    return frozenset(fleet.vehicles) | heard | told


def _until(entries: Sequence[Entry], entry: Entry) -> list[Entry]:
    """Give the entries up to one, with it: what the truck is from it on."""
    before = [each for each in entries if each.time_ms <= entry.time_ms]
    registered = [
        each for each in entries if each.kind == "register" and each.time_ms > entry.time_ms
    ]
    return [*before, *registered, entry]


def _who_and_when(entry: Entry, now_ms: int) -> None:
    if not entry.who.strip() or len(entry.who) > LONGEST_NAME:
        raise CannotEnter(f"say who enters this, in at most {LONGEST_NAME} characters (--who)")
    if len(entry.note) > LONGEST_NOTE:
        raise CannotEnter(f"the note has {len(entry.note)} characters; {LONGEST_NOTE} fit")
    if entry.time_ms > now_ms + FUTURE_MS:
        raise CannotEnter(
            "the time lies in the future; the record holds what was done, so enter it when it is"
        )
    if entry.time_ms < EARLIEST_MS:
        raise CannotEnter("the time lies before 1990; correct the year")


def _truck(
    conn: sqlite3.Connection, fleet: Fleet, entry: Entry, entries: Sequence[Entry]
) -> None:
    name = entry.vehicle
    if vehicle_name.match(name) is None:
        raise CannotEnter(
            f"{name!r} is no name that a topic can carry; use 1 to 64 of letters, digits, '.', "
            "'_', '-'"
        )
    if entry.kind != "register":
        known = known_trucks(conn, fleet)
        if name not in known:
            raise UnknownTruck(name, known)
        return
    if name in fleet.vehicles:
        raise CannotEnter(
            f"{name} is in the fleet file, which says what it is; change [vehicles.{name}] there"
        )
    told = [each.id for each in entries if each.kind == "register"]
    if told:
        raise CannotEnter(
            f"{name} is registered already, by entry {told[-1]}; 'heatbook fleet correct "
            f"{told[-1]}' changes what that says"
        )


def _numbers(entry: Entry) -> None:
    allowed = NAMES[entry.kind].numbers
    for name, value in entry.numbers.items():
        if name not in allowed:
            raise CannotEnter(f"{_kind(entry)} has no {name}; {_of(allowed)}")
        low, high = _RANGES[name]
        if not (math.isfinite(value) and low <= value <= high):
            raise CannotEnter(f"{name} is {value:g}; it lies between {low:g} and {high:g}")


def _words(entry: Entry, fleet: Fleet) -> None:
    allowed = NAMES[entry.kind].words
    for name, word in entry.words.items():
        if name not in allowed:
            raise CannotEnter(f"{_kind(entry)} has no {name}; {_of(allowed)}")
        choices = _CHOICES.get(name)
        if choices is not None and word not in choices:
            raise CannotEnter(f"{name} is {word!r}; {_of(choices)}")
    fluid = entry.words.get("fluid")
    if fluid is not None and fluid not in fleet.fluids:
        raise CannotEnter(
            f"no fluid is named {fluid!r}; add [fluids.{fluid}] to the fleet file, or correct "
            f"it: {nearest(fluid, fleet.fluids, 'fluid')}"
        )
    if len(entry.words.get("title", "")) > LONGEST_NAME:
        raise CannotEnter(f"the name is too long; {LONGEST_NAME} characters fit")


def _together(entry: Entry, vehicle: Vehicle) -> None:
    """Check what must fit together, with each other and with the truck as it is then."""
    for name in NAMES[entry.kind].required:
        if name not in entry.numbers and name not in entry.words:
            raise CannotEnter(f"{_kind(entry)} needs its {name}")
    if entry.kind == "sample" and not any(name in entry.numbers for name in FINDINGS):
        raise CannotEnter(
            f"the sample says nothing; give at least one of: {', '.join(FINDINGS)}"
        )
    volume_l = entry.numbers.get("volume_l", 0.0)
    if volume_l > vehicle.fluid_total_l * 1.001:
        raise CannotEnter(
            f"{volume_l:.1f} L are more than the {vehicle.fluid_total_l:.1f} L that "
            f"{entry.vehicle} holds in all; correct the volume, or the truck's fluid_total_l"
        )
    if vehicle.thermostat_open_c >= vehicle.thermostat_full_c:
        raise CannotEnter(
            f"the bypass valve would begin to open at {vehicle.thermostat_open_c:g} °C and be "
            f"fully open at {vehicle.thermostat_full_c:g} °C; give both, the first below the "
            "second"
        )


def _kind(entry: Entry) -> str:
    return f"an entry of the kind {entry.kind!r}"


def _of(allowed: Sequence[str]) -> str:
    return f"it is one of: {', '.join(allowed)}" if allowed else "it has none"
