"""How trucks stand, for a program and for a table: account, next service, what never came."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from models.due import Due, due_of
from models.layout import record
from models.statement import Statement
from models.units import Units
from review.circuit_standing import (
    CircuitStanding,
    circuit_of,
)
from review.measures import day
from review.reading import Reader, Stored


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """One truck as it stands, for a program.

    ``missing_samples`` counts values of the gateway's own counter that never came; ``seq`` is the
    highest up to which none is missing, None without a counter. ``waiting``: entries of its record do
    not count yet.
    """

    vehicle: str
    title: str
    registered: bool
    last_ms: int
    online: bool | None
    account: Statement
    due: Due
    seq: int | None
    missing_samples: int
    waiting: bool
    circuit: CircuitStanding


def standing_of(truck: Stored, now_ms: int) -> Standing:
    """Write how a truck stands that has an account."""
    held = truck.held
    if held is None or truck.state is None:
        raise ValueError(f"{truck.name} has no account")
    return Standing(
        vehicle=truck.name,
        title=truck.vehicle.title or truck.name,
        registered=truck.vehicle.registered,
        last_ms=held.last_ms,
        online=held.online,
        account=truck.statement,
        due=due_now(truck, now_ms),
        seq=held.sequence.gap_free,
        missing_samples=held.sequence.missing,
        waiting=truck.waiting,
        circuit=circuit_of(truck.params, record(truck.state).truck),
    )


def due_now(truck: Stored, now_ms: int) -> Due:
    """Say when the service of a truck that has an account is due."""
    if truck.held is None or truck.state is None:
        raise ValueError(f"{truck.name} has no account")
    return due_of(truck.params, record(truck.state), max(now_ms, truck.held.last_ms))


def due_of_truck(conn: sqlite3.Connection, reader: Reader, truck: str) -> Due | None:
    """Give when a truck's service is due; None while it has no account that holds."""
    stored = reader.truck(conn, truck)
    return None if stored.state is None else due_now(stored, reader.now_ms())


def life(account: Statement) -> str:
    """Say how much of the fluid's life is used, with the 80 % band."""
    return (
        f"{account.life_used:.0%} (8 in 10: {account.life_low:.0%} to {account.life_high:.0%})"
    )


def due_date(due: Due, units: Units) -> str:
    """Write the date of a service."""
    if due.median_ms is None:
        return "not in 5 years"
    return f"{'since ' if due.overdue else ''}{day(due.median_ms, units.zone)}"


def due_interval(due: Due, units: Units) -> str:
    """Write between which dates a service is due in 8 of 10 cases; nothing for what is known."""
    if due.overdue:
        return "due now"
    if due.early_ms is None or due.early_ms == due.late_ms:
        return ""
    late = "later" if due.late_ms is None else day(due.late_ms, units.zone)
    return f"{day(due.early_ms, units.zone)} to {late}"
