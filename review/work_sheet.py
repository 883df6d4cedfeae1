"""What a technician needs on paper at one visit of one truck."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass

from alerts import ledger
from alerts.ledger import STANDING, Alarm
from ingest.record import Entry
from models import circuit_words
from models.cautions import AT_THE_FLUID, HOT_COOLANT, MOVING_PARTS
from models.due import Due
from models.fleet import Vehicle
from models.hypotheses import FLOW, HEALTHY, OPEN
from models.layout import record
from models.statement import Statement
from models.tell_apart import look, telling
from review.alarm_list import urgency
from review.circuit_standing import CircuitStanding, circuit_of
from review.pan_drop import Preview, preview_pan_drops
from review.reading import Reader, Standing, Stored
from review.standing import due_now

SERVICES = frozenset({"install", "exchange", "pan_drop", "fluid_change", "gearbox"})
"""Entries that put fresh fluid in."""

BY_THE_FLUID = frozenset({"service_due"})
"""Alarms that are about the fluid alone: the service is what they ask for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkSheet:
    """One truck at one visit.

    ``alarms``: what stands and is to be looked at beside the fluid, most urgent first. ``odometer_km``: the
    truck's own counter at ``last_ms``, its newest sample. What is None is not known.
    """

    truck: str
    vehicle: Vehicle
    standing: Standing
    last_ms: int | None
    odometer_km: float | None
    due: Due | None
    account: Statement | None
    drops: Preview | None
    circuit: CircuitStanding | None
    alarms: tuple[Alarm, ...]
    last_service: Entry | None
    cautions: tuple[str, ...]


def work_sheet(conn: sqlite3.Connection, reader: Reader, truck: str) -> WorkSheet:
    """Gather what one visit needs.

    Raises
    ------
    UnknownTruck
        Nobody knows the truck.
    """
    stored = reader.truck(conn, truck)
    found = ledger.find(conn, f"{STANDING} AND vehicle = ?", (truck,))
    alarms = tuple(sorted((a for a in found if a.kind not in BY_THE_FLUID), key=urgency))
    good = stored.held is not None and stored.state is not None
    return WorkSheet(
        truck=truck,
        vehicle=stored.vehicle,
        standing=stored.standing,
        last_ms=stored.held.last_ms if good and stored.held else None,
        odometer_km=_odometer_km(stored) if good else None,
        due=due_now(stored, reader.now_ms()) if good else None,
        account=stored.statement if good else None,
        drops=preview_pan_drops(conn, reader, truck) if good else None,
        circuit=_circuit(stored),
        alarms=alarms,
        last_service=_last_service(stored),
        cautions=_cautions(stored.vehicle, bool(alarms)),
    )


def shop_reading(evidence: Mapping[str, float]) -> str:
    """Say what a reading of both cooler lines would show by the causes that remain; empty: none is known.

    Where it would show the same by each of them, what else tells them apart.

    ``evidence`` as an alarm or ``CircuitStanding.evidence`` has it.
    """
    by_coolant = evidence.get("coolant_cooled", 0.0) > 0.0
    # Nothing but the lines tells these two apart.
    lines = look(OPEN, FLOW, by_coolant=by_coolant)
    left = [place for place, _ in circuit_words.causes(evidence)]
    if lines is None or not left:
        return ""
    places = [each for each in dict.fromkeys((*left, HEALTHY)) if each in lines.shows]
    if len({lines.shows[each] for each in places}) < 2:
        return circuit_words.tells_apart(evidence)
    return telling(lines, places, by_coolant=by_coolant)


def _circuit(stored: Stored) -> CircuitStanding | None:
    if stored.state is None:
        return None
    return circuit_of(stored.params, record(stored.state).truck)


def _odometer_km(stored: Stored) -> float | None:
    counter = stored.account.travel.odometer
    return float(counter.km) if counter.known == 1 else None


def _last_service(stored: Stored) -> Entry | None:
    done = [entry for entry in stored.entries if entry.kind in SERVICES]
    return done[-1] if done else None


def _cautions(vehicle: Vehicle, looks_further: bool) -> tuple[str, ...]:
    by_coolant = (HOT_COOLANT,) if vehicle.circuit == "coolant_exchanger" else ()
    moving = (MOVING_PARTS,) if looks_further else ()
    return (*AT_THE_FLUID, *by_coolant, *moving)
