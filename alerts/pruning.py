"""Letting go of what was told long ago, a few rows at a time.

Nothing goes that something rests on: not what waits, not what was given up and is listed until somebody
looks, nothing of an alarm that is not over (what it was told is not told again because of these rows), and of
each destination the last try stays, by which is known whether it was ever reached.
"""

from __future__ import annotations

import sqlite3

_OVER = """
alarm.active = 0 AND (alarm.state = 'normal' OR alarm.withdrawn = 1)
AND coalesce(alarm.cleared_ms, alarm.raised_ms) < :before
"""

_OLD = f"""
SELECT sending.id FROM sending WHERE sending.state IN ('delivered', 'cancelled') AND settled_ms < :before
AND NOT EXISTS (
    SELECT 1 FROM outbox JOIN alarm ON alarm.id = alarm_id
    WHERE sending_id = sending.id AND (outbox.state = 'pending' OR NOT ({_OVER}))
)
ORDER BY seq LIMIT :limit
"""  # noqa: S608 - our own text

_NEVER_SENT = f"""
DELETE FROM outbox WHERE seq IN (
    SELECT outbox.seq FROM outbox JOIN alarm ON alarm.id = alarm_id
    WHERE sending_id IS NULL AND outbox.state = 'cancelled' AND settled_ms < :before
    AND {_OVER} ORDER BY outbox.seq LIMIT :limit
)
"""  # noqa: S608 - our own text

_ATTEMPTS = """
DELETE FROM attempt WHERE notice_id = ?1
AND seq NOT IN (SELECT max(seq) FROM attempt GROUP BY destination)
"""


def prune(tx: sqlite3.Connection, *, before_ms: int, limit: int) -> int:
    """Let go of notices that were settled before a time [Unix ms], ``limit`` at most; give how many went."""
    asked = {"before": before_ms, "limit": limit}
    old = tx.execute(_OLD, asked).fetchall()
    tx.executemany(_ATTEMPTS, old)
    tx.executemany("DELETE FROM outbox WHERE sending_id = ?", old)
    tx.executemany("DELETE FROM sending WHERE id = ?", old)
    return len(old) + tx.execute(_NEVER_SENT, asked).rowcount
