"""The service record: what people say was done to a truck, with date, who and when; only added to.

A correction is a new entry that supersedes the old one; nothing is edited in place. Which entries
count in a truck's state already stands beside them, since it changes and they do not.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

STRUCK = "struck"
"""Kind of an entry that only strikes out the one it supersedes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One entry.

    ``time_ms`` [Unix ms] is when it happened, ``entered_ms`` when ``who`` said so. ``numbers``
    carry their SI unit in the name, ``words`` are texts. ``supersedes``: the entry this one
    replaces. ``key``: given by whoever enters it, so that a repeat is known as one.
    """

    vehicle: str
    kind: str
    time_ms: int
    who: str
    entered_ms: int
    numbers: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    words: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    note: str = ""
    supersedes: int | None = None
    key: str | None = None
    id: int | None = None


RECORD_STEPS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE service_entry (
            id INTEGER PRIMARY KEY,
            vehicle TEXT NOT NULL,
            kind TEXT NOT NULL,
            time_ms INTEGER NOT NULL,
            numbers TEXT NOT NULL,
            words TEXT NOT NULL,
            note TEXT NOT NULL,
            who TEXT NOT NULL,
            entered_ms INTEGER NOT NULL,
            supersedes INTEGER UNIQUE REFERENCES service_entry (id),
            key TEXT UNIQUE
        ) STRICT
        """,
        "CREATE INDEX service_entry_truck ON service_entry (vehicle, time_ms)",
        """
        CREATE TRIGGER service_entry_stays BEFORE UPDATE ON service_entry
        BEGIN SELECT RAISE(ABORT, 'service entries are only added to'); END
        """,
        """
        CREATE TRIGGER service_entry_remains BEFORE DELETE ON service_entry
        BEGIN SELECT RAISE(ABORT, 'service entries are only added to'); END
        """,
        """
        CREATE TABLE service_taken (
            entry_id INTEGER PRIMARY KEY REFERENCES service_entry (id)
        ) STRICT
        """,
    ),
)

_COLUMNS = "id, vehicle, kind, time_ms, numbers, words, note, who, entered_ms, supersedes, key"
_ALL = f"SELECT {_COLUMNS} FROM service_entry WHERE vehicle = ? ORDER BY id"  # noqa: S608 - our own names
_TAKEN = (
    f"SELECT {_COLUMNS} FROM service_entry JOIN service_taken ON entry_id = id "  # noqa: S608 - our own names
    "WHERE vehicle = ? ORDER BY id"
)
_UNTAKEN = "FROM service_entry WHERE id NOT IN (SELECT entry_id FROM service_taken)"


def add(tx: sqlite3.Connection, entry: Entry) -> Entry:
    """Add an entry; give it with its id."""
    row = (
        entry.vehicle,
        entry.kind,
        entry.time_ms,
        json.dumps(dict(entry.numbers), sort_keys=True),
        json.dumps(dict(entry.words), sort_keys=True),
        entry.note,
        entry.who,
        entry.entered_ms,
        entry.supersedes,
        entry.key,
    )
    names = _COLUMNS.removeprefix("id, ")
    sql = f"INSERT INTO service_entry ({names}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"  # noqa: S608 - our own names
    return replace(entry, id=tx.execute(sql, row).lastrowid)


def effective(
    conn: sqlite3.Connection, vehicle: str, *, taken_only: bool = False
) -> list[Entry]:
    """List the entries that count, in order of time; superseded and struck ones are left out."""
    found = [_entry(row) for row in conn.execute(_TAKEN if taken_only else _ALL, (vehicle,))]
    superseded = {entry.supersedes for entry in found}
    kept = [e for e in found if e.id not in superseded and e.kind != STRUCK]
    return sorted(kept, key=lambda entry: entry.time_ms)


def history(conn: sqlite3.Connection, vehicle: str) -> list[Entry]:
    """List everything that was ever entered, in the order in which it was."""
    return [_entry(row) for row in conn.execute(_ALL, (vehicle,))]


def pending(conn: sqlite3.Connection) -> list[str]:
    """List the trucks with entries that do not count in their state yet."""
    rows = conn.execute(f"SELECT DISTINCT vehicle {_UNTAKEN} ORDER BY vehicle")
    return [row[0] for row in rows]


def take(tx: sqlite3.Connection, vehicle: str) -> int:
    """Count all entries of a truck from now on; give the earliest time [ms] that this touches."""
    rows = tx.execute(f"SELECT id, time_ms, supersedes {_UNTAKEN} AND vehicle = ?", (vehicle,))
    touched: list[int] = []
    for entry_id, time_ms, supersedes in rows.fetchall():
        tx.execute("INSERT INTO service_taken VALUES (?)", (entry_id,))
        touched.append(time_ms)
        if supersedes is not None:
            old = tx.execute("SELECT time_ms FROM service_entry WHERE id = ?", (supersedes,))
            touched.append(old.fetchone()[0])
    return min(touched)


def registered(conn: sqlite3.Connection) -> frozenset[str]:
    """Name the trucks that the record registers."""
    names = conn.execute("SELECT DISTINCT vehicle FROM service_entry WHERE kind = 'register'")
    return frozenset(
        name
        for (name,) in names.fetchall()
        if any(entry.kind == "register" for entry in effective(conn, name, taken_only=True))
    )


def _entry(row: Any) -> Entry:
    values = dict(zip(_COLUMNS.split(", "), row, strict=True))
    for name in ("numbers", "words"):
        values[name] = MappingProxyType(json.loads(values[name]))
    return Entry(**values)
