"""Erasing one truck from the tables of this package: samples, states, counter, record, refusals."""

from __future__ import annotations

import re
import sqlite3

from ingest import feed, quarantine

_BY_NUMBER = (
    "journal",
    "vehicle_state",
    "checkpoint",
    "sequence",
    "sealed",
    "dropped",
    "postponed",
)
_TRIGGER = "service_entry_remains"


def erase(tx: sqlite3.Connection, name: str) -> None:
    """Take a truck out; the months in the archive are the caller's."""
    row = tx.execute("SELECT id FROM vehicle WHERE name = ?", (name,)).fetchone()
    if row is not None:
        feed.erase(tx, vehicle_id=row[0], vehicle=name)
        for table in _BY_NUMBER:
            tx.execute(f"DELETE FROM {table} WHERE vehicle_id = ?", row)  # noqa: S608 - our own names
        tx.execute("DELETE FROM vehicle WHERE id = ?", row)
    _erase_entries(tx, name)
    quarantine.drop(tx, refused(tx, name))
    tx.execute("DELETE FROM inbox WHERE instr(topic, ?)", (f"/{name}/",))


def refused(conn: sqlite3.Connection, name: str) -> list[int]:
    """Give the entries of the quarantine that are about a truck, or speak of it.

    Those of another truck go only where the name stands in quotation marks: a truck may be called 101.
    """
    rows = conn.execute(
        "SELECT id, topic, vehicle, detail, raw FROM quarantine WHERE vehicle = ?1 OR instr(topic, ?1) "
        "OR instr(detail, ?1) OR instr(raw, CAST(?1 AS BLOB))",
        (name,),
    )
    whole = whole_name(name)
    return [
        key
        for key, topic, vehicle, detail, raw in rows
        if vehicle == name
        or (vehicle is None and (whole.search(topic) or whole.search(detail)))
        or (vehicle is None and whole.search(raw.decode("utf-8", "replace")))
        or f"'{name}'" in detail
        or f'"{name}"'.encode() in raw
    ]


def whole_name(name: str) -> re.Pattern[str]:
    """Find a truck's name where it is not part of a longer one."""
    return re.compile(rf"(?<![\w.-]){re.escape(name)}(?![\w-]|\.\w)")


def _erase_entries(tx: sqlite3.Connection, name: str) -> None:
    """Take the truck's service record out, which nothing else may."""
    (rule,) = tx.execute(
        "SELECT sql FROM sqlite_schema WHERE type = 'trigger' AND name = ?", (_TRIGGER,)
    ).fetchone()
    tx.execute(f"DROP TRIGGER {_TRIGGER}")
    tx.execute(
        "DELETE FROM service_taken WHERE entry_id IN (SELECT id FROM service_entry WHERE vehicle = ?)",
        (name,),
    )
    tx.execute("DELETE FROM service_entry WHERE vehicle = ?", (name,))
    tx.execute(rule)
