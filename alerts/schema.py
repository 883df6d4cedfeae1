"""The tables of this package, as numbered steps that are only ever added to.

``transition`` is derived: it can be dropped and replayed. The others are a ledger: they say
what the daemon knew and whom it told, and are never recomputed.
"""

from __future__ import annotations

STEPS: tuple[tuple[str, ...], ...] = (
    (
        """
        CREATE TABLE transition (
            vehicle TEXT NOT NULL,
            time_ms INTEGER NOT NULL,
            kind TEXT NOT NULL,
            onset_ms INTEGER NOT NULL,
            active INTEGER NOT NULL CHECK (active IN (0, 1)),
            priority INTEGER NOT NULL CHECK (priority BETWEEN 1 AND 4),
            probability REAL NOT NULL,
            evidence TEXT NOT NULL,
            PRIMARY KEY (vehicle, time_ms, kind, onset_ms, active, priority)
        ) STRICT, WITHOUT ROWID
        """,
        "CREATE INDEX transition_episode ON transition (vehicle, kind, onset_ms)",
        """
        CREATE TABLE alarm (
            id TEXT PRIMARY KEY,
            vehicle TEXT NOT NULL,
            kind TEXT NOT NULL,
            onset_ms INTEGER NOT NULL,
            raised_ms INTEGER NOT NULL,
            cleared_ms INTEGER,
            active INTEGER NOT NULL CHECK (active IN (0, 1)),
            state TEXT NOT NULL,
            priority INTEGER NOT NULL CHECK (priority BETWEEN 1 AND 4),
            probability REAL NOT NULL,
            evidence TEXT NOT NULL,
            acknowledged_ms INTEGER,
            acknowledged_by TEXT,
            comment TEXT,
            late INTEGER NOT NULL CHECK (late IN (0, 1)),
            withdrawn INTEGER NOT NULL CHECK (withdrawn IN (0, 1)),
            provisional INTEGER NOT NULL CHECK (provisional IN (0, 1)),
            watched INTEGER NOT NULL CHECK (watched IN (0, 1)),
            first_seen_ms INTEGER NOT NULL,
            turn INTEGER NOT NULL,
            told_priority INTEGER NOT NULL,
            remark TEXT NOT NULL
        ) STRICT
        """,
        "CREATE INDEX alarm_episode ON alarm (vehicle, kind, onset_ms)",
        """
        CREATE INDEX alarm_standing ON alarm (priority DESC, onset_ms)
        WHERE withdrawn = 0 AND (active = 1 OR state <> 'normal')
        """,
        """
        CREATE TABLE outbox (
            seq INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            alarm_id TEXT NOT NULL REFERENCES alarm (id),
            channel TEXT NOT NULL,
            matter TEXT NOT NULL,
            turn INTEGER NOT NULL,
            time_ms INTEGER NOT NULL,
            priority INTEGER NOT NULL,
            probability REAL NOT NULL,
            evidence TEXT NOT NULL,
            created_ms INTEGER NOT NULL,
            due_ms INTEGER NOT NULL,
            attempts INTEGER NOT NULL DEFAULT 0,
            claimed INTEGER NOT NULL DEFAULT 0 CHECK (claimed IN (0, 1)),
            state TEXT NOT NULL DEFAULT 'pending'
                CHECK (state IN ('pending', 'delivered', 'abandoned', 'cancelled')),
            settled_ms INTEGER,
            last_error TEXT NOT NULL DEFAULT ''
        ) STRICT
        """,
        "CREATE INDEX outbox_alarm ON outbox (alarm_id, channel, seq)",
        """
        CREATE INDEX outbox_pending ON outbox (channel, due_ms, seq) WHERE state = 'pending'
        """,
        "CREATE INDEX outbox_abandoned ON outbox (seq) WHERE state = 'abandoned'",
        """
        CREATE TABLE attempt (
            seq INTEGER PRIMARY KEY,
            notice_id TEXT NOT NULL,
            channel TEXT NOT NULL,
            time_ms INTEGER NOT NULL,
            outcome TEXT NOT NULL CHECK (outcome IN ('delivered', 'deferred', 'abandoned')),
            detail TEXT NOT NULL
        ) STRICT
        """,
        "CREATE INDEX attempt_notice ON attempt (notice_id)",
    ),
    (
        "ALTER TABLE alarm ADD COLUMN told_ms INTEGER",
        "ALTER TABLE alarm ADD COLUMN escalated INTEGER NOT NULL DEFAULT 0",
        """
        ALTER TABLE alarm ADD COLUMN chattering INTEGER NOT NULL DEFAULT 0
        CHECK (chattering IN (0, 1))
        """,
        """
        CREATE TABLE alarm_event (
            seq INTEGER PRIMARY KEY,
            alarm_id TEXT NOT NULL REFERENCES alarm (id),
            time_ms INTEGER NOT NULL,
            event TEXT NOT NULL,
            before TEXT NOT NULL,
            after TEXT NOT NULL,
            priority INTEGER NOT NULL CHECK (priority BETWEEN 1 AND 4),
            by TEXT NOT NULL DEFAULT '',
            comment TEXT NOT NULL DEFAULT ''
        ) STRICT
        """,
        "CREATE INDEX alarm_event_alarm ON alarm_event (alarm_id, seq)",
        "CREATE INDEX alarm_event_time ON alarm_event (time_ms)",
        """
        CREATE TABLE hold (
            id INTEGER PRIMARY KEY,
            state TEXT NOT NULL
                CHECK (state IN ('shelved', 'suppressed_by_design', 'out_of_service')),
            vehicle TEXT NOT NULL,
            kind TEXT,
            from_ms INTEGER NOT NULL,
            until_ms INTEGER,
            by TEXT NOT NULL,
            reason TEXT NOT NULL,
            ended_ms INTEGER,
            ended_by TEXT,
            CHECK (state <> 'shelved' OR until_ms IS NOT NULL)
        ) STRICT
        """,
        "CREATE INDEX hold_standing ON hold (vehicle) WHERE ended_ms IS NULL",
        """
        CREATE TABLE link_key (
            seq INTEGER PRIMARY KEY,
            key BLOB NOT NULL,
            created_ms INTEGER NOT NULL
        ) STRICT
        """,
        "ALTER TABLE outbox RENAME COLUMN channel TO destination",
        "ALTER TABLE attempt RENAME COLUMN channel TO destination",
    ),
    (
        """
        CREATE TABLE sending (
            seq INTEGER PRIMARY KEY,
            id TEXT NOT NULL UNIQUE,
            destination TEXT NOT NULL,
            channel TEXT NOT NULL GENERATED ALWAYS AS (
                substr(destination, 1, instr(destination || '/', '/') - 1)
            ) VIRTUAL,
            what TEXT NOT NULL CHECK (what IN ('alarms', 'report')),
            content TEXT NOT NULL DEFAULT '',
            priority INTEGER NOT NULL CHECK (priority BETWEEN 1 AND 4),
            created_ms INTEGER NOT NULL,
            due_ms INTEGER NOT NULL,
            attempts INTEGER NOT NULL DEFAULT 0,
            first_ms INTEGER,
            tried_ms INTEGER,
            claimed INTEGER NOT NULL DEFAULT 0 CHECK (claimed IN (0, 1)),
            state TEXT NOT NULL DEFAULT 'pending'
                CHECK (state IN ('pending', 'delivered', 'abandoned', 'cancelled')),
            settled_ms INTEGER,
            last_error TEXT NOT NULL DEFAULT '',
            moved_from TEXT NOT NULL DEFAULT ''
        ) STRICT
        """,
        "CREATE INDEX sending_pending ON sending (channel, due_ms) WHERE state = 'pending'",
        "CREATE INDEX sending_told ON sending (destination, tried_ms)",
        "CREATE INDEX sending_abandoned ON sending (seq) WHERE state = 'abandoned'",
        """
        ALTER TABLE outbox ADD COLUMN channel TEXT GENERATED ALWAYS AS (
            substr(destination, 1, instr(destination || '/', '/') - 1)
        ) VIRTUAL
        """,
        "ALTER TABLE outbox ADD COLUMN sending_id TEXT REFERENCES sending (id)",
        "ALTER TABLE outbox ADD COLUMN onset_ms INTEGER NOT NULL DEFAULT 0",
        "ALTER TABLE outbox ADD COLUMN remark TEXT NOT NULL DEFAULT ''",
        "ALTER TABLE outbox ADD COLUMN moved_from TEXT NOT NULL DEFAULT ''",
        """
        UPDATE outbox SET onset_ms = alarm.onset_ms, remark = alarm.remark
        FROM alarm WHERE alarm.id = outbox.alarm_id
        """,
        # What was tried may have arrived: it goes on as a sending of its own, under its own id.
        """
        INSERT INTO sending (id, destination, what, priority, created_ms, due_ms, attempts,
            first_ms, tried_ms, claimed, state, settled_ms, last_error)
        SELECT id, destination, 'alarms', priority, created_ms, due_ms, attempts, created_ms,
            coalesce((SELECT max(time_ms) FROM attempt WHERE notice_id = outbox.id),
                     settled_ms, created_ms),
            claimed, state, settled_ms, last_error
        FROM outbox WHERE attempts > 0 OR state IN ('delivered', 'abandoned') ORDER BY seq
        """,
        """
        UPDATE outbox SET sending_id = id
        WHERE attempts > 0 OR state IN ('delivered', 'abandoned')
        """,
        "DROP INDEX outbox_pending",
        "DROP INDEX outbox_abandoned",
        "ALTER TABLE outbox DROP COLUMN attempts",
        "ALTER TABLE outbox DROP COLUMN claimed",
        "ALTER TABLE outbox DROP COLUMN last_error",
        """
        CREATE INDEX outbox_waiting ON outbox (channel, destination, due_ms)
        WHERE state = 'pending' AND sending_id IS NULL
        """,
        """
        CREATE INDEX outbox_next ON outbox (channel, priority DESC, seq)
        WHERE state = 'pending' AND sending_id IS NULL
        """,
        "CREATE INDEX outbox_pending ON outbox (destination) WHERE state = 'pending'",
        "CREATE INDEX outbox_sending ON outbox (sending_id)",
    ),
    ("CREATE INDEX alarm_chattering ON alarm (vehicle, kind) WHERE chattering = 1",),
    (
        # What is looked up every few seconds, or with each commit, must not cost more by the year.
        """
        CREATE INDEX alarm_open ON alarm (vehicle, kind, onset_ms)
        WHERE withdrawn = 0 AND (active = 1 OR state <> 'normal')
        """,
        "CREATE INDEX alarm_provisional ON alarm (vehicle, kind) WHERE provisional = 1",
        "CREATE INDEX sending_waiting ON sending (destination) WHERE state = 'pending'",
    ),
    (
        # Those of the past by page, newest first.
        "CREATE INDEX alarm_onset ON alarm (onset_ms, id)",
    ),
)
