"""Which months of which truck lie in the archive, and where that is: rows of the store.

A month counts as archived once its row is there, in the same file as the rows of the journal that it
stands for. So one transaction decides, and whatever an archive holds beside it does not count.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from ingest.archive import Archive, ArchiveAway, ArchiveError

ARCHIVE_STEPS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE sealed (
            vehicle_id INTEGER NOT NULL REFERENCES vehicle (id),
            month TEXT NOT NULL,
            name TEXT NOT NULL,
            digest TEXT NOT NULL,
            samples INTEGER NOT NULL,
            first_ms INTEGER NOT NULL,
            last_ms INTEGER NOT NULL,
            max_gap_ms INTEGER NOT NULL,
            sealed_ms INTEGER NOT NULL,
            PRIMARY KEY (vehicle_id, month)
        ) STRICT, WITHOUT ROWID
        """,
        """
        CREATE TABLE archive_place (
            only INTEGER PRIMARY KEY CHECK (only = 1),
            kind TEXT NOT NULL,
            place TEXT NOT NULL
        ) STRICT
        """,
        """
        CREATE TABLE dropped (
            vehicle_id INTEGER PRIMARY KEY REFERENCES vehicle (id),
            until_ms INTEGER NOT NULL,
            samples INTEGER NOT NULL,
            layout TEXT NOT NULL,
            state BLOB NOT NULL,
            dropped_ms INTEGER NOT NULL
        ) STRICT
        """,
    ),
)

PARQUET = "parquet"
INFLUX = "influx"

Opener = Callable[[str], Archive]
"""Opens an archive by its place, as the store has it."""

_OPENERS: dict[str, Opener] = {}

_COLUMNS = "vehicle_id, month, name, digest, samples, first_ms, last_ms, max_gap_ms, sealed_ms"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealed:
    """A month of a truck that lies in the archive, with the hash of its data (``archive.digest``)."""

    vehicle_id: int
    month: str
    name: str
    digest: str
    samples: int
    first_ms: int
    last_ms: int
    max_gap_ms: int
    sealed_ms: int


def opens(kind: str, opener: Opener) -> None:
    """Say how this process gets into archives of a kind that needs more than the store has: a token.

    No secret belongs in the store, and all that reads history has a store and nothing else. So whoever reads
    the settings says this once, at the start of the process.
    """
    _OPENERS[kind] = opener


def move_place(tx: sqlite3.Connection, where: str, *, kind: str) -> None:
    """Say where the archive is from now on: whoever says so has all of its months there."""
    tx.execute("DELETE FROM archive_place")
    tx.execute("INSERT INTO archive_place VALUES (1, ?, ?)", (kind, where))


def place(tx: sqlite3.Connection, where: str, *, kind: str = PARQUET) -> None:
    """Say where the archive is: for Parquet its folder, relative to that of the store's file.

    Raises
    ------
    ArchiveError
        Months lie in an archive of another kind.
    """
    row = tx.execute("SELECT kind FROM archive_place").fetchone()
    if row is not None and row[0] != kind:
        (count,) = tx.execute("SELECT count(*) FROM sealed").fetchone()
        if count:
            raise ArchiveError(
                f"{count} months of trucks lie in the archive of the kind {row[0]!r}, and the settings "
                f"say {kind!r}",
                f"set archive.kind = \"{row[0]}\" again; 'heatbook influx take-over' moves Parquet files",
            )
    tx.execute(
        "INSERT INTO archive_place VALUES (1, ?1, ?2) ON CONFLICT (only) DO UPDATE "
        "SET kind = ?1, place = ?2 WHERE (kind, place) <> (?1, ?2)",
        (kind, where),
    )


def archive_of(conn: sqlite3.Connection) -> Archive:
    """Give the archive of a store.

    Raises
    ------
    ArchiveError
        The store does not say where it is, or it is of a kind that nothing here reads.
    """
    row = conn.execute("SELECT kind, place FROM archive_place").fetchone()
    if row is None:
        raise ArchiveError(
            "the store does not say where its archive is", "start the daemon once: it writes it"
        )
    kind, where = row
    if kind in _OPENERS:
        return _OPENERS[kind](where)
    if kind == INFLUX:
        raise ArchiveAway(
            f"the archive is in InfluxDB ({where}), and these settings do not say how to get in",
            "use the settings that the daemon has, with [influx] and its token",
        )
    if kind != PARQUET:
        raise ArchiveError(
            f"the store has an archive of the kind {kind!r}",
            "install the Heatbook that made it",
        )
    from ingest.parquet_archive import ParquetArchive  # noqa: PLC0415 - slow, and rarely needed

    return ParquetArchive(_beside(conn, where))


def months(conn: sqlite3.Connection, *, vehicle_id: int) -> list[Sealed]:
    """Give the sealed months of a truck, oldest first."""
    return overlapping(conn, vehicle_id=vehicle_id, first_ms=-(2**63), last_ms=2**63 - 1)


def overlapping(
    conn: sqlite3.Connection, *, vehicle_id: int, first_ms: int, last_ms: int
) -> list[Sealed]:
    """Give the sealed months of a truck that have samples about a span, oldest first."""
    rows = conn.execute(
        f"SELECT {_COLUMNS} FROM sealed WHERE vehicle_id = ? AND last_ms >= ? AND first_ms <= ? "  # noqa: S608
        "ORDER BY month",
        (vehicle_id, first_ms, last_ms),
    ).fetchall()
    return [_sealed(row) for row in rows]


def newest_ms(conn: sqlite3.Connection, *, vehicle_id: int) -> int | None:
    """Give the time of a truck's last sealed sample [Unix ms]."""
    row = conn.execute("SELECT max(last_ms) FROM sealed WHERE vehicle_id = ?", (vehicle_id,))
    found: int | None = row.fetchone()[0]
    return found


def find(conn: sqlite3.Connection, *, vehicle_id: int, month: str) -> Sealed | None:
    """Give a truck's month if it is sealed."""
    row = conn.execute(
        f"SELECT {_COLUMNS} FROM sealed WHERE vehicle_id = ? AND month = ?",  # noqa: S608
        (vehicle_id, month),
    ).fetchone()
    return None if row is None else _sealed(row)


def read(
    conn: sqlite3.Connection, *, vehicle_id: int, first_ms: int, last_ms: int
) -> list[NDArray[Any]]:
    """Read a truck's sealed samples in a span, both ends included: a part for each month, in order.

    Raises
    ------
    ArchiveError
        A month that is needed cannot be read.
    """
    found = overlapping(conn, vehicle_id=vehicle_id, first_ms=first_ms, last_ms=last_ms)
    if not found:
        return []
    archive = archive_of(conn)
    return [archive.read(each.name, first_ms, last_ms) for each in found]


def enroll(tx: sqlite3.Connection, one: Sealed) -> None:
    """Let a month count, in place of one that counted before."""
    tx.execute(
        f"INSERT OR REPLACE INTO sealed ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608
        astuple(one),
    )


def _sealed(row: tuple[Any, ...]) -> Sealed:
    return Sealed(**dict(zip(_COLUMNS.split(", "), row, strict=True)))


def _beside(conn: sqlite3.Connection, where: str) -> Path:
    """Give a folder that is named relative to that of the store's file."""
    files = {name: file for _, name, file in conn.execute("PRAGMA database_list")}
    return Path(files["main"] or ".").parent / where
