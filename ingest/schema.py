"""The tables of this package, as numbered steps that are only ever added to.

``journal`` is the truth: one row a truck and commit, never changed; ``sealed`` says which months lie in the
archive instead. ``vehicle_state`` and ``checkpoint`` follow from both and can be rebuilt. ``vehicle``,
``sequence`` and the quarantine say what came and when.
"""

from __future__ import annotations

from ingest.feed_steps import FEED_STEPS
from ingest.postponed import POSTPONED_STEPS
from ingest.quarantine import QUARANTINE_STEPS
from ingest.record import RECORD_STEPS
from ingest.sealed import ARCHIVE_STEPS
from ingest.shares import SHARE_STEPS

STEPS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE vehicle (
            id INTEGER PRIMARY KEY,
            name TEXT NOT NULL UNIQUE,
            first_heard_ms INTEGER NOT NULL,
            last_heard_ms INTEGER NOT NULL,
            online INTEGER CHECK (online IN (0, 1)),
            status_ms INTEGER
        ) STRICT
        """,
        """
        CREATE TABLE journal (
            id INTEGER PRIMARY KEY,
            vehicle_id INTEGER NOT NULL REFERENCES vehicle (id),
            first_ms INTEGER NOT NULL,
            last_ms INTEGER NOT NULL,
            samples INTEGER NOT NULL,
            received_ms INTEGER NOT NULL,
            body BLOB NOT NULL
        ) STRICT
        """,
        "CREATE INDEX journal_span ON journal (vehicle_id, last_ms, first_ms)",
        """
        CREATE TABLE vehicle_state (
            vehicle_id INTEGER PRIMARY KEY REFERENCES vehicle (id),
            time_ms INTEGER NOT NULL,
            checkpoint_ms INTEGER NOT NULL,
            basis TEXT NOT NULL,
            state BLOB NOT NULL
        ) STRICT
        """,
        """
        CREATE TABLE checkpoint (
            vehicle_id INTEGER NOT NULL REFERENCES vehicle (id),
            time_ms INTEGER NOT NULL,
            state BLOB NOT NULL,
            PRIMARY KEY (vehicle_id, time_ms)
        ) STRICT, WITHOUT ROWID
        """,
        """
        CREATE TABLE sequence (
            vehicle_id INTEGER PRIMARY KEY REFERENCES vehicle (id),
            since_ms INTEGER NOT NULL,
            newest_ms INTEGER NOT NULL,
            spans TEXT NOT NULL,
            missing_before INTEGER NOT NULL,
            base_known INTEGER NOT NULL CHECK (base_known IN (0, 1))
        ) STRICT
        """,
        """
        CREATE TABLE source_position (
            source TEXT PRIMARY KEY,
            messages INTEGER NOT NULL,
            committed_ms INTEGER NOT NULL
        ) STRICT, WITHOUT ROWID
        """,
        """
        CREATE TABLE inbox (
            id INTEGER PRIMARY KEY,
            topic TEXT NOT NULL,
            payload BLOB NOT NULL
        ) STRICT
        """,
        """
        CREATE TABLE unknown_field (
            name TEXT PRIMARY KEY,
            times INTEGER NOT NULL
        ) STRICT, WITHOUT ROWID
        """,
    ),
    *QUARANTINE_STEPS,
    *RECORD_STEPS,
    *ARCHIVE_STEPS,
    *FEED_STEPS,
    *SHARE_STEPS,
    *POSTPONED_STEPS,
)
