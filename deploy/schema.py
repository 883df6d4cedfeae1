"""The tables of this package, as numbered steps that are only ever added to."""

from __future__ import annotations

STEPS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE job_run (
            job TEXT PRIMARY KEY,
            last_ms INTEGER NOT NULL
        ) STRICT, WITHOUT ROWID
        """,
    ),
    (
        """
        CREATE TABLE report_asked (
            name TEXT NOT NULL,
            since_ms INTEGER NOT NULL,
            asked_ms INTEGER NOT NULL,
            made_ms INTEGER,
            PRIMARY KEY (name, asked_ms)
        ) STRICT, WITHOUT ROWID
        """,
        """
        CREATE TABLE service_event (
            vehicle TEXT PRIMARY KEY,
            uid TEXT NOT NULL UNIQUE,
            services INTEGER NOT NULL,
            sequence INTEGER NOT NULL,
            changed_ms INTEGER NOT NULL,
            looked_ms INTEGER NOT NULL,
            overdue INTEGER NOT NULL CHECK (overdue IN (0, 1)),
            reason TEXT NOT NULL,
            median_ms INTEGER,
            early_ms INTEGER,
            late_ms INTEGER
        ) STRICT, WITHOUT ROWID
        """,
        """
        CREATE TABLE private_address (
            purpose TEXT NOT NULL,
            scope TEXT NOT NULL,
            edition INTEGER NOT NULL,
            PRIMARY KEY (purpose, scope)
        ) STRICT, WITHOUT ROWID
        """,
    ),
    (
        """
        CREATE TABLE history_move (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            asked_ms INTEGER NOT NULL,
            done_ms INTEGER,
            months INTEGER,
            samples INTEGER,
            dropped INTEGER,
            problems TEXT
        ) STRICT
        """,
    ),
    (
        """
        CREATE TABLE store_identity (
            only INTEGER PRIMARY KEY CHECK (only = 1),
            id TEXT NOT NULL
        ) STRICT
        """,
        # Which store a backup, or a folder of the archive, belongs to.
        "INSERT INTO store_identity VALUES (1, lower(hex(randomblob(8))))",
        """
        CREATE TABLE backup_made (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            as_of_ms INTEGER NOT NULL,
            done_ms INTEGER NOT NULL,
            folder TEXT NOT NULL,
            bytes INTEGER NOT NULL,
            months INTEGER NOT NULL
        ) STRICT
        """,
        """
        CREATE TABLE erase_asked (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            vehicle TEXT,
            who TEXT NOT NULL,
            asked_ms INTEGER NOT NULL,
            erased_ms INTEGER,
            wrung_ms INTEGER,
            told TEXT NOT NULL DEFAULT ''
        ) STRICT
        """,
    ),
)
