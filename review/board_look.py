"""What a short look at the store finds: what changed since the last one, what stands, what is held."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from alerts import hold, ledger
from alerts.hold import Hold
from alerts.ledger import Alarm
from ingest import record
from models.fleet import Fleet
from review.entry_rules import known_trucks

_VEHICLES = "SELECT id, name, online FROM vehicle"
_NEWEST = "SELECT ifnull((SELECT max(id) FROM {}), 0)"
_HEARD = "SELECT DISTINCT vehicle_id FROM journal WHERE id > ?"
_ENTERED = "SELECT DISTINCT vehicle FROM service_entry WHERE id > ?"


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What the store held: how far its journal and record went, and all that stands."""

    journal_id: int = 0
    entry_id: int = 0
    online: Mapping[str, int | None] = field(default_factory=lambda: MappingProxyType({}))
    waiting: frozenset[str] = frozenset()
    known: frozenset[str] = frozenset()
    alarms: Mapping[str, tuple[Alarm, ...]] = field(
        default_factory=lambda: MappingProxyType({})
    )
    holds: Mapping[str, tuple[Hold, ...]] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def of_no_truck(self) -> tuple[Alarm, ...]:
        """The alarms of no single truck: nothing comes from anybody."""
        return tuple(
            alarm
            for name, own in self.alarms.items()
            if name not in self.known
            for alarm in own
        )


def look(
    conn: sqlite3.Connection, fleet: Fleet, before: Look, now_ms: int
) -> tuple[Look, frozenset[str]]:
    """Look at the store; give also the trucks that must be read anew: all that have samples or entries since.

    The journal is asked only for what is newer than before, so that a look costs what came, not what is
    stored. Numbers that went back mean another store, or rows that were taken out: all is read anew.
    """
    vehicles = conn.execute(_VEHICLES).fetchall()
    names = {vehicle_id: name for vehicle_id, name, _ in vehicles}
    found = Look(
        journal_id=_newest(conn, "journal"),
        entry_id=_newest(conn, "service_entry"),
        online={name: online for _, name, online in vehicles},
        waiting=frozenset(record.pending(conn)),
        known=known_trucks(conn, fleet),
        alarms=_by_truck(ledger.standing(conn)),
        holds=_holds_by_truck(hold.standing(conn, now_ms)),
    )
    if found.journal_id < before.journal_id or found.entry_id < before.entry_id:
        return found, found.known
    heard = {names[row[0]] for row in conn.execute(_HEARD, (before.journal_id,))}
    entered = {row[0] for row in conn.execute(_ENTERED, (before.entry_id,))}
    moved = {
        name for name, now in found.online.items() if before.online.get(name, now) is not now
    }
    taken = found.waiting ^ before.waiting
    new = found.known - before.known
    return found, frozenset(heard | entered | moved | taken | new) & found.known


def _newest(conn: sqlite3.Connection, table: str) -> int:
    return int(conn.execute(_NEWEST.format(table)).fetchone()[0])


def _by_truck(alarms: list[Alarm]) -> Mapping[str, tuple[Alarm, ...]]:
    found: dict[str, list[Alarm]] = {}
    for alarm in alarms:
        found.setdefault(alarm.vehicle, []).append(alarm)
    return {name: tuple(own) for name, own in found.items()}


def _holds_by_truck(holds: tuple[Hold, ...]) -> Mapping[str, tuple[Hold, ...]]:
    found: dict[str, list[Hold]] = {}
    for each in holds:
        found.setdefault(each.vehicle, []).append(each)
    return {name: tuple(own) for name, own in found.items()}
