"""What people have entered in the service record, taken up into a truck's state.

In the caller's transaction. What an entry touches is run again from the last checkpoint before it;
an entry that no sample has followed yet waits in the truck's course for the next one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from alerts import ledger, reconcile
from alerts.alarm import LATCHED
from alerts.announce import clear
from alerts.ledger import Alarm
from alerts.lifecycle import repaired
from alerts.policy import Policy
from ingest import held as holding
from ingest import record
from ingest.fold import Folded, rerun
from ingest.held import NEVER_MS, Held
from ingest.record import Entry
from models.detectors.service_due import SERVICE_DUE
from models.service import SERVICE_KINDS
from review.trucks import CourseOf

REPAIRS = frozenset({"circuit", "gearbox"})
"""Entries that are the look which a latched alarm waits for."""

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
    # By bytes: a limit that is not set is NaN, which never equals itself.
    if course.params[0].tobytes() != truck.course.params[0].tobytes():
        since_ms = NEVER_MS + 1  # what a truck is at first changes everything after
    folded = rerun(tx, holding.on(truck, course, model_version), since_ms=since_ms)
    if folded.held.last_ms != NEVER_MS:
        folded = replace(folded, held=holding.save(tx, folded.held))
    return Taken(entries=entries, folded=folded)


def done_ms(truck: Held, now_ms: int) -> Mapping[str, int]:
    """Say since when the service alarm of a truck is over that was serviced after its last sample [ms].

    By kind of alarm, as for ``alerts.journal.rewrite``. The samples will say so too, but the truck
    may stand in the shop for days.
    """
    counted = int(truck.state[0]["course"]["entries"])
    for entry in truck.course.entries[counted:]:
        if entry["time_ms"] <= now_ms and SERVICE_KINDS[entry["kind"]] in RESTARTS:
            return {SERVICE_DUE.kind: int(entry["time_ms"])}
    return {}


def tell_done(tx: sqlite3.Connection, truck: Held, now_ms: int, policy: Policy) -> None:
    """End the service alarm of a truck that was serviced after its last sample.

    If it was not after all (the entry was struck out, or its date corrected), the alarm stands again.
    What a repair was the look at that it waited for ends too.
    """
    tell_repaired(tx, truck.name, ledger.standing(tx), now_ms)
    done = done_ms(truck, now_ms).get(SERVICE_DUE.kind)
    standing = [
        alarm
        for alarm in ledger.standing(tx)
        if alarm.vehicle == truck.name and alarm.kind == SERVICE_DUE.kind and alarm.active
    ]
    if done is not None:
        for alarm in standing:
            clear(tx, alarm, cleared_ms=done, now_ms=now_ms, policy=policy)
        return
    presence = truck.state[0][SERVICE_DUE.kind]["presence"]
    if presence["standing"] and not standing:
        key = (SERVICE_DUE.kind, int(presence["onset_ms"]))
        reconcile.reconcile(
            tx, vehicle=truck.name, keys=[key], now_ms=now_ms, policy=policy, rebuilt=True
        )


def tell_repaired(
    tx: sqlite3.Connection, name: str, alarms: Iterable[Alarm], now_ms: int
) -> None:
    """Reset the latched alarms of a truck that came before its last repair: it has been looked at.

    Nothing is looked up where none of ``alarms`` is latched.
    """
    if not any(alarm.state in LATCHED for alarm in alarms):
        return
    repairs = [
        entry
        for entry in record.effective(tx, name, taken_only=True)
        if entry.kind in REPAIRS and entry.time_ms <= now_ms
    ]
    last = max(repairs, key=lambda entry: (entry.time_ms, entry.id or 0), default=None)
    if last is not None:
        comment = f"service record, entry {last.id}: {last.kind} changed"
        repaired(tx, name, at_ms=last.time_ms, by=last.who, now_ms=now_ms, comment=comment)
