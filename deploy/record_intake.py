"""What people have entered in the service record, taken up into a truck's state.

In the caller's transaction. What an entry touches is run again from the last checkpoint before it;
an entry that no sample has followed yet waits in the truck's course for the next one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from alerts import ledger, reconcile
from deploy.trucks import CourseOf
from ingest import held as holding
from ingest import record
from ingest.fold import Folded, rerun
from ingest.held import NEVER_MS, Held
from ingest.record import Entry

RESTARTS = frozenset({"install", "exchange", "pan_drop", "fluid_change", "gearbox"})
"""Entries after which the service interval begins anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """What came of it: ``folded`` is None for a truck that was never heard."""

    entries: tuple[Entry, ...]
    folded: Folded | None

    @property
    def registered(self) -> bool:
        """Whether the record says what this truck is."""
        return any(entry.kind == "register" for entry in self.entries)


def take_up(
    tx: sqlite3.Connection,
    name: str,
    trucks: Mapping[str, Held],
    *,
    courses: CourseOf,
    model_version: str,
) -> Taken:
    """Count a truck's new entries and corrections."""
    since_ms = record.take(tx, name)
    entries = tuple(record.effective(tx, name, taken_only=True))
    truck = trucks.get(name)
    if truck is None:
        return Taken(entries=entries, folded=None)
    course = courses(name, entries)
    if course.params[0] != truck.course.params[0]:
        since_ms = NEVER_MS + 1  # what a truck is at first changes everything after
    folded = rerun(tx, holding.on(truck, course, model_version), since_ms=since_ms)
    if folded.held.last_ms != NEVER_MS:
        folded = replace(folded, held=holding.save(tx, folded.held))
    return Taken(entries=entries, folded=folded)


def close_done(
    tx: sqlite3.Connection, name: str, entries: Sequence[Entry], last_ms: int, now_ms: int
) -> None:
    """End the service alarm of a truck that was serviced after its last sample.

    The samples will say so too, but the truck may stand in the shop for days.
    """
    done = [e.time_ms for e in entries if e.kind in RESTARTS and last_ms < e.time_ms <= now_ms]
    if not done:
        return
    for alarm in ledger.standing(tx):
        if alarm.vehicle == name and alarm.kind == "service_due" and alarm.active:
            reconcile.clear(tx, alarm, cleared_ms=done[0], now_ms=now_ms)
