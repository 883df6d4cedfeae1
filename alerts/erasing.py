"""Erasing one truck from the tables of this package: what was found, raised, told and held back."""

from __future__ import annotations

import re
import sqlite3

_ESCAPED = re.compile(r"\\(u[0-9a-f]{4}|.)")
"""What JSON writes for signs that text breaks off at; its letters are part of no name."""

_OWN = "SELECT id FROM alarm WHERE vehicle = ?1"

_TOLD = f"SELECT DISTINCT sending_id FROM outbox WHERE alarm_id IN ({_OWN})"  # noqa: S608 - our own text

_ALONE = f"""
SELECT id FROM sending WHERE id IN ({_TOLD})
AND NOT EXISTS (SELECT 1 FROM outbox WHERE sending_id = sending.id AND alarm_id NOT IN ({_OWN}))
"""  # noqa: S608 - our own text

_WORDLESS = f"UPDATE sending SET content = '', last_error = '' WHERE id IN ({_TOLD})"  # noqa: S608 - our own text


def erase(tx: sqlite3.Connection, name: str, whole: re.Pattern[str]) -> None:
    """Take a truck out. A notice that told of others too stays, without the words that it was told in.

    ``whole`` finds the name where it is not part of a longer one.
    """
    alone = tx.execute(_ALONE, (name,)).fetchall()
    tx.execute(_WORDLESS, (name,))
    tx.executemany("DELETE FROM attempt WHERE notice_id = ?", alone)
    tx.execute(f"DELETE FROM outbox WHERE alarm_id IN ({_OWN})", (name,))  # noqa: S608 - our own text
    tx.executemany("DELETE FROM sending WHERE id = ?", alone)
    # A report is one text of many trucks: what waits is not sent, what is listed as given up loses its words.
    reports = tx.execute(
        "SELECT id, content FROM sending WHERE what = 'report' AND instr(content, ?)", (name,)
    ).fetchall()
    tx.executemany(
        "UPDATE sending SET content = '', state = CASE state WHEN 'pending' THEN 'cancelled' ELSE state END "
        "WHERE id = ?",
        [(key,) for key, content in reports if whole.search(_ESCAPED.sub(" ", content))],
    )
    tx.execute(f"DELETE FROM alarm_event WHERE alarm_id IN ({_OWN})", (name,))  # noqa: S608 - our own text
    for table in ("alarm", "transition", "hold"):
        tx.execute(f"DELETE FROM {table} WHERE vehicle = ?", (name,))  # noqa: S608 - our own names
