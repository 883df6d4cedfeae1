"""What people did in the demo's invented past: services entered, alarms seen and shelved."""

from __future__ import annotations

import sqlite3

from alerts import chatter, holds, ledger
from alerts.alarm import State
from alerts.lifecycle import acknowledge
from alerts.policy import Policy
from ingest import record
from models.fleet import Fleet
from review.access.audit import Deed, audit
from review.record_book import Book, add_entry, correct
from simulator.years.happenings import Happening, Seen, Service, Shelved
from simulator.years.northfold import odometer_km

WAITING = frozenset({State.UNACKNOWLEDGED, State.RETURNED, State.LATCHED})
"""The states in which an alarm waits for somebody to see it."""


def happen(tx: sqlite3.Connection, fleet: Fleet, policy: Policy, happening: Happening) -> None:
    """Write down what somebody did, as its page or command would have."""
    holds.tick(tx, now_ms=happening.at_ms, policy=policy)
    chatter.tick(tx, now_ms=happening.at_ms, policy=policy)
    if isinstance(happening, Service):
        _enter(tx, fleet, happening)
    elif isinstance(happening, Seen):
        _see(tx, happening)
    else:
        _shelve(tx, policy, happening)


def _enter(tx: sqlite3.Connection, fleet: Fleet, service: Service) -> None:
    numbers = dict(service.numbers)
    if service.odometer:
        numbers["odometer_km"] = odometer_km(service.vehicle, service.time_ms)
    book = Book(tx=tx, fleet=fleet, who=service.who, now_ms=service.entered_ms)
    if service.instead_of is not None:
        old = next(
            each
            for each in record.history(tx, service.vehicle)
            if each.key == service.instead_of
        )
        correct(book, old.id or 0, numbers=numbers, note=service.note)
        deed = Deed.SERVICE_CORRECTED
    else:
        add_entry(
            book,
            service.vehicle,
            service.kind,
            service.time_ms,
            numbers=numbers,
            words=service.words,
            note=service.note,
            key=service.key,
        )
        deed = Deed.SERVICE_RECORDED
    about = f"{service.vehicle} {service.kind}"
    audit(tx, service.who, deed, about, now_ms=service.entered_ms)


def _see(tx: sqlite3.Connection, seen: Seen) -> None:
    for alarm in ledger.standing(tx):
        meant = alarm.vehicle == seen.vehicle and seen.kind in ("", alarm.kind)
        if meant and alarm.state in WAITING:
            acknowledge(tx, alarm.id, by=seen.who, now_ms=seen.at_ms, comment=seen.comment)
            about = f"{alarm.vehicle} {alarm.kind}"
            audit(tx, seen.who, Deed.ALARM_ACKNOWLEDGED, about, now_ms=seen.at_ms)


def _shelve(tx: sqlite3.Connection, policy: Policy, shelved: Shelved) -> None:
    holds.place(
        tx,
        state=State.SHELVED,
        vehicle=shelved.vehicle,
        kind=shelved.kind,
        until_ms=shelved.until_ms,
        by=shelved.who,
        reason=shelved.reason,
        now_ms=shelved.at_ms,
        policy=policy,
    )
    about = f"{shelved.vehicle} {shelved.kind}"
    audit(tx, shelved.who, Deed.ALARM_SHELVED, about, now_ms=shelved.at_ms)
