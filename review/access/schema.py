"""The tables of access: accounts, their sessions and browsers, keys of programs, and the audit log.

What lets somebody in is never kept: of a password its argon2id hash, of a random token its SHA-256.
``audit`` is only ever added to.
"""

from __future__ import annotations

ACCESS_STEPS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE account (
            id INTEGER PRIMARY KEY,
            key TEXT NOT NULL UNIQUE,
            name TEXT NOT NULL,
            role INTEGER NOT NULL CHECK (role BETWEEN 1 AND 3),
            password TEXT NOT NULL,
            one_time_until_ms INTEGER,
            temperature TEXT CHECK (temperature IN ('C', 'F')),
            distance TEXT CHECK (distance IN ('km', 'mi')),
            volume TEXT CHECK (volume IN ('L', 'qt')),
            made_ms INTEGER NOT NULL,
            changed_ms INTEGER NOT NULL,
            disabled_ms INTEGER
        ) STRICT
        """,
        """
        CREATE TABLE session (
            id INTEGER PRIMARY KEY,
            hash BLOB NOT NULL UNIQUE,
            account_id INTEGER NOT NULL REFERENCES account (id),
            csrf TEXT NOT NULL,
            made_ms INTEGER NOT NULL,
            proved_ms INTEGER NOT NULL,
            used_ms INTEGER NOT NULL,
            ends_ms INTEGER NOT NULL,
            provisional INTEGER NOT NULL CHECK (provisional IN (0, 1)),
            browser TEXT NOT NULL,
            address TEXT NOT NULL
        ) STRICT
        """,
        "CREATE INDEX session_account ON session (account_id)",
        """
        CREATE TABLE known_browser (
            hash BLOB PRIMARY KEY,
            account_id INTEGER NOT NULL REFERENCES account (id),
            seen_ms INTEGER NOT NULL
        ) STRICT, WITHOUT ROWID
        """,
        """
        CREATE TABLE api_token (
            id INTEGER PRIMARY KEY,
            name TEXT NOT NULL,
            hash BLOB NOT NULL UNIQUE,
            scopes TEXT NOT NULL,
            made_by TEXT NOT NULL,
            made_ms INTEGER NOT NULL,
            used_ms INTEGER,
            ends_ms INTEGER,
            revoked_ms INTEGER,
            revoked_by TEXT
        ) STRICT
        """,
        """
        CREATE TABLE audit (
            id INTEGER PRIMARY KEY,
            time_ms INTEGER NOT NULL,
            who TEXT NOT NULL,
            what TEXT NOT NULL,
            about TEXT NOT NULL,
            address TEXT NOT NULL
        ) STRICT
        """,
    ),
)
