"""The service record: what people say was done to a truck, with date, who and when; only added to.

A correction is a new entry that supersedes the old one; nothing is edited in place. Which entries
count in a truck's state already stands beside them, since it changes and they do not. What a kind
of entry may say is the table of ``ingest/entry_fields.py``.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from ingest.entry import STRUCK, Entry, complete, examine_entry, same_content, standing
from ingest.entry_fields import RecordError

__all__ = [
    "RECORD_STEPS",
    "STRUCK",
    "Entry",
    "RecordError",
    "add",
    "by_key",
    "chain",
    "effective",
    "history",
    "pending",
    "problems",
    "registered",
    "take",
    "vehicles",
]

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
        # REPLACE takes out the row in its way without asking the trigger above.
        """
        CREATE TRIGGER service_entry_is_new BEFORE INSERT ON service_entry
        WHEN EXISTS (
            SELECT 1 FROM service_entry
            WHERE id = NEW.id OR supersedes = NEW.supersedes OR key = NEW.key
        )
        BEGIN SELECT RAISE(ABORT, 'service entries are only added to'); END
        """,
        """
        CREATE TRIGGER service_entry_supersedes BEFORE INSERT ON service_entry
        WHEN NEW.supersedes IS NOT NULL AND NOT EXISTS (
            SELECT 1 FROM service_entry WHERE id = NEW.supersedes AND vehicle = NEW.vehicle
        )
        BEGIN SELECT RAISE(ABORT, 'an entry supersedes one of its own truck'); END
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
_ONE = f"SELECT {_COLUMNS} FROM service_entry WHERE {{}} = ?"  # noqa: S608 - our own names
_TAKEN = (
    f"SELECT {_COLUMNS} FROM service_entry JOIN service_taken ON entry_id = id "  # noqa: S608 - our own names
    "WHERE vehicle = ? ORDER BY id"
)
_UNTAKEN = "FROM service_entry WHERE id NOT IN (SELECT entry_id FROM service_taken)"


def add(tx: sqlite3.Connection, entry: Entry) -> Entry:
    """Add an entry; give it as stored, with its id.

    A key that was used before for the same content (whenever it was entered) gives the entry that
    is stored already.

    Raises
    ------
    RecordError
        The first thing wrong with it; :func:`problems` lists all.
    """
    for error in problems(tx, entry):
        raise error
    entry = complete(entry)
    if entry.key is not None and (stored := _one(tx, "key", entry.key)) is not None:
        return stored
    row = (
        entry.vehicle,
        entry.kind,
        entry.time_ms,
        json.dumps(dict(entry.numbers), sort_keys=True, allow_nan=False),
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


def problems(conn: sqlite3.Connection, entry: Entry) -> list[RecordError]:
    """Find everything that keeps an entry from being added.

    Whether it fits what the truck is, and the fluids of the fleet, is not asked here.
    """
    entry = complete(entry)
    stored = None if entry.key is None else _one(conn, "key", entry.key)
    if stored is not None:
        if same_content(stored, entry):
            return []
        what = f"the key {entry.key!r} is that of entry {stored.id}, which says something else"
        return [RecordError(what=what, where="key", mend="give a new entry a key of its own")]
    return [*examine_entry(entry), *_superseded(conn, entry)]


def effective(
    conn: sqlite3.Connection, vehicle: str, *, taken_only: bool = False
) -> list[Entry]:
    """List the entries that count; superseded and struck ones are left out.

    In order of time; of one time in the order in which they were first entered, so that a
    correction keeps its place.
    """
    found = [_entry(row) for row in conn.execute(_TAKEN if taken_only else _ALL, (vehicle,))]
    return sorted(standing(found), key=_places(found))


def chain(conn: sqlite3.Connection, entry_id: int) -> list[Entry]:
    """List an entry with all that it superseded and that superseded it, the oldest first.

    Raises
    ------
    RecordError
        There is no such entry.
    """
    entry = _one(conn, "id", entry_id)
    if entry is None:
        raise _no_such(entry_id, "id")
    links = [entry]
    while links[0].supersedes is not None:
        links[:0] = _found(conn, "id", links[0].supersedes)
    while newer := _found(conn, "supersedes", links[-1].id):
        links += newer
    return links


def by_key(conn: sqlite3.Connection, key: str) -> Entry | None:
    """Give the entry that was entered under a key; None: none was."""
    return _one(conn, "key", key)


def history(conn: sqlite3.Connection, vehicle: str) -> list[Entry]:
    """List everything that was ever entered, in the order in which it was."""
    return [_entry(row) for row in conn.execute(_ALL, (vehicle,))]


def vehicles(conn: sqlite3.Connection) -> list[str]:
    """Name the trucks that the record tells of, in order."""
    rows = conn.execute("SELECT DISTINCT vehicle FROM service_entry ORDER BY vehicle")
    return [row[0] for row in rows]


def pending(conn: sqlite3.Connection) -> list[str]:
    """List the trucks with entries that do not count in their state yet."""
    rows = conn.execute(f"SELECT DISTINCT vehicle {_UNTAKEN} ORDER BY vehicle")
    return [row[0] for row in rows]


def newest(conn: sqlite3.Connection, vehicle: str) -> int:
    """Give the id of a truck's newest entry, 0 if there is none."""
    sql = "SELECT coalesce(max(id), 0) FROM service_entry WHERE vehicle = ?"
    return int(conn.execute(sql, (vehicle,)).fetchone()[0])


def take(tx: sqlite3.Connection, vehicle: str) -> int:
    """Count all entries of a truck from now on; give the earliest time [ms] that this touches.

    Raises
    ------
    ValueError
        All of them count already.
    """
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


def _superseded(conn: sqlite3.Connection, entry: Entry) -> Iterator[RecordError]:
    if entry.supersedes is None:
        return
    old = _one(conn, "id", entry.supersedes)
    if old is None:
        yield _no_such(entry.supersedes, "supersedes")
        return
    if old.vehicle != entry.vehicle:
        what = f"entry {old.id} is of {old.vehicle}, not of {entry.vehicle}"
        mend = f"strike it out there and enter anew what was done to {entry.vehicle}"
        yield RecordError(what=what, where="supersedes", mend=mend)
    if old.kind == STRUCK:
        what = f"entry {old.id} only strikes out entry {old.supersedes}"
        yield RecordError(what=what, where="supersedes", mend="enter anew what was done")
    for newer in _found(conn, "supersedes", entry.supersedes):
        what = f"entry {old.id} counts no longer: entry {newer.id} superseded it"
        mend = "supersede that one, or enter anew what was done"
        yield RecordError(what=what, where="supersedes", mend=mend)


def _no_such(entry_id: int, where: str) -> RecordError:
    mend = "name one of the truck's history"
    return RecordError(what=f"there is no entry {entry_id}", where=where, mend=mend)


def _places(entries: Iterable[Entry]) -> Callable[[Entry], tuple[int, int]]:
    """Give the key by which entries are put in order: time, then when first entered."""
    first: dict[int | None, int] = {}
    for entry in entries:  # by id: what is superseded comes before what supersedes it
        first[entry.id] = first.get(entry.supersedes, entry.id or 0)
    return lambda entry: (entry.time_ms, first[entry.id])


def _one(conn: sqlite3.Connection, column: str, value: object) -> Entry | None:
    found = _found(conn, column, value)
    return found[0] if found else None


def _found(conn: sqlite3.Connection, column: str, value: object) -> list[Entry]:
    return [_entry(row) for row in conn.execute(_ONE.format(column), (value,))]


def _entry(row: Any) -> Entry:
    values = dict(zip(_COLUMNS.split(", "), row, strict=True))
    for name in ("numbers", "words"):
        values[name] = MappingProxyType(json.loads(values[name]))
    return Entry(**values)
