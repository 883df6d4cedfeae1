"""The tables of the feed to a time-series server: how far it is, and what else is owed to it.

No number of a row of ``journal`` is given twice, so that the feed's place is a number: ``journal_high`` is
the highest of a row that went. ``feed_gathered`` names rows that hold nothing but what was sent before, in
other rows; ``feed_again`` spans that lie in the archive, or are asked for again; ``feed_hour`` hours whose
sums are due; ``feed_erase`` trucks that are to be deleted there.
"""

from __future__ import annotations

FEED_STEPS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE journal_high (
            only INTEGER PRIMARY KEY CHECK (only = 1),
            id INTEGER NOT NULL
        ) STRICT
        """,
        "INSERT INTO journal_high SELECT 1, coalesce(max(id), 0) FROM journal",
        """
        CREATE TRIGGER journal_gone AFTER DELETE ON journal
        WHEN OLD.id > (SELECT id FROM journal_high)
        BEGIN UPDATE journal_high SET id = OLD.id; END
        """,
        """
        CREATE TABLE feed (
            only INTEGER PRIMARY KEY CHECK (only = 1),
            place TEXT NOT NULL,
            journal_id INTEGER NOT NULL,
            points INTEGER NOT NULL,
            refused INTEGER NOT NULL,
            expired INTEGER NOT NULL,
            last_sent_ms INTEGER,
            trouble TEXT NOT NULL,
            reason TEXT NOT NULL,
            trouble_since_ms INTEGER
        ) STRICT
        """,
        "CREATE TABLE feed_gathered (journal_id INTEGER PRIMARY KEY) STRICT",
        """
        CREATE TABLE feed_again (
            id INTEGER PRIMARY KEY,
            vehicle_id INTEGER NOT NULL,
            first_ms INTEGER NOT NULL,
            end_ms INTEGER NOT NULL
        ) STRICT
        """,
        """
        CREATE TABLE feed_hour (
            vehicle_id INTEGER NOT NULL,
            hour_ms INTEGER NOT NULL,
            PRIMARY KEY (vehicle_id, hour_ms)
        ) STRICT, WITHOUT ROWID
        """,
        """
        CREATE TABLE feed_refused (
            id INTEGER PRIMARY KEY,
            vehicle TEXT NOT NULL,
            time_ms INTEGER NOT NULL,
            line TEXT NOT NULL,
            reason TEXT NOT NULL,
            refused_ms INTEGER NOT NULL,
            UNIQUE (vehicle, time_ms)
        ) STRICT
        """,
        """
        CREATE TABLE feed_erase (
            id INTEGER PRIMARY KEY,
            vehicle TEXT NOT NULL UNIQUE
        ) STRICT
        """,
    ),
)
