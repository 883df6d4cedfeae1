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
)
