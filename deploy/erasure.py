"""Erasing one truck: its rows go in one transaction, then its months, then what is left of it in free pages.

Who commits takes the rows out, and holds the truck no longer; who moves history takes its months, so that no
move is under way meanwhile, and has the file written anew. What comes of the truck later begins a new one.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

import structlog

import alerts.erasing
import ingest.erasing
from deploy.archive_mark import must_be_there
from deploy.database import Database
from ingest.archive import Archive
from ingest.erasing import whole_name
from ingest.sealed import archive_of
from review.access import forgetting
from review.access.audit import Deed, audit
from review.store import Clock

log = structlog.get_logger()

# One without a name failed at the last step, that the file is written anew: a long reader, a full disk.
_GONE = "SELECT id, vehicle FROM erase_asked WHERE erased_ms IS NOT NULL AND wrung_ms IS NULL"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A truck that is to be erased."""

    id: int
    vehicle: str
    who: str


def ask(tx: sqlite3.Connection, vehicle: str, who: str, now_ms: int) -> int:
    """Ask for a truck to be erased; give the number by which what comes of it is found."""
    number = tx.execute(
        "INSERT INTO erase_asked (vehicle, who, asked_ms) VALUES (?, ?, ?)",
        (vehicle, who, now_ms),
    ).lastrowid
    return int(number or 0)


def progress(conn: sqlite3.Connection, number: int) -> tuple[bool, bool, str]:
    """Tell whether the rows are gone, whether all is, and what stands in the way."""
    erased_ms, wrung_ms, told = conn.execute(
        "SELECT erased_ms, wrung_ms, told FROM erase_asked WHERE id = ?", (number,)
    ).fetchone()
    return erased_ms is not None, wrung_ms is not None, told


def waiting(conn: sqlite3.Connection) -> list[Asked]:
    """Give the trucks whose rows are still to go."""
    rows = conn.execute(
        "SELECT id, vehicle, who FROM erase_asked WHERE erased_ms IS NULL ORDER BY id"
    )
    return [Asked(id=key, vehicle=vehicle, who=who) for key, vehicle, who in rows]


def erase_rows(tx: sqlite3.Connection, asked: Asked, now_ms: int) -> None:
    """Take a truck's rows out, of every package; a line of the audit log says that, not of which truck."""
    name, instead = asked.vehicle, f"(erased truck {asked.id})"
    whole = whole_name(name)
    ingest.erasing.erase(tx, name)
    alerts.erasing.erase(tx, name, whole)
    forgetting.forget(tx, whole, name, instead)
    tx.execute("DELETE FROM service_event WHERE vehicle = ?", (name,))
    tx.execute("DELETE FROM private_address WHERE scope = ?", (name,))
    _forget_moves(tx, name)
    audit(tx, asked.who, Deed.TRUCK_ERASED, instead, now_ms=now_ms)
    tx.execute("UPDATE erase_asked SET erased_ms = ? WHERE id = ?", (now_ms, asked.id))
    log.info("truck.erased", number=asked.id)


def finish(database: Database, now_ms: Clock) -> None:
    """Take out the months of trucks whose rows are gone, and leave nothing of them in the store's file.

    Raises
    ------
    ArchiveError
        The archive cannot be read.
    sqlite3.DatabaseError
        The store cannot be written; it is tried again.
    """
    with database.read() as conn:
        gone = conn.execute(_GONE).fetchall()
        placed = conn.execute("SELECT 1 FROM archive_place").fetchone()
        archive = archive_of(conn) if gone and placed else None
        if archive is not None:
            must_be_there(conn, archive)
        known = {row[0] for row in conn.execute("SELECT name FROM sealed")} if gone else set()
    if not gone:
        return
    if archive is not None:
        for _, vehicle in gone:
            if vehicle is not None:
                _discard(archive, vehicle, known)
        archive.sweep()
    with database.write() as tx:
        for _, vehicle in gone:
            if vehicle is not None:
                _forget_moves(tx, vehicle)  # one that was under way may have named it since
        tx.executemany(
            "UPDATE erase_asked SET vehicle = NULL WHERE id = ?", [(key,) for key, _ in gone]
        )
    database.wring()
    with database.write() as tx:
        tx.executemany(
            "UPDATE erase_asked SET wrung_ms = ? WHERE id = ?",
            [(now_ms(), key) for key, _ in gone],
        )


def _forget_moves(tx: sqlite3.Connection, name: str) -> None:
    """Let go of what a move of history said of a truck."""
    whole = whole_name(name)
    for key, problems in tx.execute("SELECT id, problems FROM history_move").fetchall():
        if problems and whole.search(problems):
            tx.execute("UPDATE history_move SET problems = '[]' WHERE id = ?", (key,))


def _discard(archive: Archive, vehicle: str, known: set[str]) -> None:
    """Let go of a truck's months, but those that a truck of that name has since begun anew."""
    lead = f"vehicle={vehicle}/"
    for name in list(archive.names()):
        if name.startswith(lead) and name not in known:
            archive.discard(name)
