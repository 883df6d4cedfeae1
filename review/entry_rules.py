"""What an entry of the service record must fulfil beside being sound by itself: fit truck and fleet."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from ingest import record
from ingest.record import Entry
from models.fleet import FITTINGS, Fleet, Vehicle
from models.units import METRIC
from review.measures import Both
from review.problems import Mistake, nearest
from review.trucks import vehicle_of

FUTURE_MS = 300_000
"""How far ahead of our clock an entry may lie: the clocks of two machines differ [ms]."""


_BOTH = Both(METRIC)
"""Whoever reads has written in one of the two."""


class CannotEnter(Mistake):
    """An entry cannot be added to the record."""


class UnknownTruck(Mistake):
    """Nobody knows a truck of this name."""

    def __init__(self, name: str, known: frozenset[str]) -> None:
        hint = f"; {nearest(name, known, 'truck')}" if known else ""
        super().__init__(
            f"no truck is named {name!r}: it is in neither the fleet file nor the record, and "
            f"was never heard{hint}; 'heatbook fleet register' takes in a new one"
        )


def examine(conn: sqlite3.Connection, fleet: Fleet, entry: Entry, *, now_ms: int) -> None:
    """Check an entry by itself, against the fleet file and against the truck's record.

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
        With all that is wrong and how to mend it.
    UnknownTruck
        Nobody knows the truck.
    """
    _when(entry, now_ms)
    found = record.problems(conn, entry)
    if found:
        raise CannotEnter("\n".join(map(str, found)))
    entries = [
        each
        for each in record.effective(conn, entry.vehicle)
        if entry.supersedes is None or each.id != entry.supersedes
    ]
    _truck(conn, fleet, entry, entries)
    _fluid(fleet, entry)
    if entry.kind != record.STRUCK:
        _fits(entry, vehicle_of(fleet, entry.vehicle, _until(entries, entry)))


def known_trucks(conn: sqlite3.Connection, fleet: Fleet) -> frozenset[str]:
    """Name every truck that the fleet file names, the record tells of, or that was heard."""
    heard = {name for (name,) in conn.execute("SELECT name FROM vehicle")}
    return frozenset(fleet.vehicles) | heard | set(record.vehicles(conn))


def _until(entries: Sequence[Entry], entry: Entry) -> list[Entry]:
    """Give the entries up to one, with it: what the truck is from it on."""
    counted = [e for e in entries if e.time_ms <= entry.time_ms or e.kind == "register"]
    return [*counted, entry]


def _when(entry: Entry, now_ms: int) -> None:
    if entry.time_ms > now_ms + FUTURE_MS:
        raise CannotEnter(
            "the time lies in the future; the record holds what was done, so enter it when it is"
        )


def _truck(
    conn: sqlite3.Connection, fleet: Fleet, entry: Entry, entries: Sequence[Entry]
) -> None:
    name = entry.vehicle
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


def _fluid(fleet: Fleet, entry: Entry) -> None:
    fluid = entry.words.get("fluid")
    if fluid is not None and fluid not in fleet.fluids:
        raise CannotEnter(
            f"no fluid is named {fluid!r}; add [fluids.{fluid}] to the fleet file, or correct "
            f"it: {nearest(fluid, fleet.fluids, 'fluid')}"
        )


def _fits(entry: Entry, vehicle: Vehicle) -> None:
    """Check an entry against the truck as it is then."""
    volume_l = entry.numbers.get("volume_l", 0.0)
    if volume_l > vehicle.fluid_total_l * 1.001:
        total = _BOTH.amount(vehicle.fluid_total_l)
        raise CannotEnter(
            f"{_BOTH.amount(volume_l)} are more than the {total} that "
            f"{entry.vehicle} holds in all; correct the volume, or the truck's fluid_total_l"
        )
    if vehicle.valve_open_c >= vehicle.valve_full_c:
        raise CannotEnter(
            f"the valve would begin to open at {_BOTH.degrees(vehicle.valve_open_c)} and be fully open "
            f"at {_BOTH.degrees(vehicle.valve_full_c)}; give both, the first below the second"
        )
    for name, needed in FITTINGS.items():
        if entry.numbers.get(name) == 1.0 and vehicle.circuit != needed:
            raise CannotEnter(
                f"{name}: {entry.vehicle} has a circuit {vehicle.circuit!r} then, which has none; "
                f"leave it out, or say circuit {needed!r} too"
            )
