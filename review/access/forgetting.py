"""What goes from the audit log: the name of a truck that was erased; by policy, lines that are old."""

from __future__ import annotations

import re
import sqlite3


def forget(tx: sqlite3.Connection, whole: re.Pattern[str], name: str, instead: str) -> int:
    """Put other words in the place of a truck's name in every line; give how many lines there were.

    ``whole`` finds the name where it is not part of a longer one.
    """
    rows = tx.execute("SELECT id, about FROM audit WHERE instr(about, ?)", (name,)).fetchall()
    changed = [(whole.sub(instead, about), key) for key, about in rows if whole.search(about)]
    tx.executemany("UPDATE audit SET about = ? WHERE id = ?", changed)
    return len(changed)


def prune(tx: sqlite3.Connection, *, before_ms: int, limit: int) -> int:
    """Let go of the oldest lines, from before a time [Unix ms], ``limit`` at most; give how many went."""
    return tx.execute(
        "DELETE FROM audit WHERE id IN (SELECT id FROM audit WHERE time_ms < ? ORDER BY id LIMIT ?)",
        (before_ms, limit),
    ).rowcount
