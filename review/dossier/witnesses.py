"""Who knew: the alarms of a truck before a time, what happened to each, and every try to tell somebody."""

from __future__ import annotations

import sqlite3

from alerts import history, ledger, sending
from alerts.ledger import Alarm
from review.dossier.facts import AlarmStory


def stories(
    conn: sqlite3.Connection, vehicle: str, first_ms: int, until_ms: int
) -> tuple[AlarmStory, ...]:
    """Give the alarms whose condition began between two times [Unix ms], the oldest first.

    What was taken back stays out, unless somebody had been told.
    """
    found = ledger.find(
        conn,
        "vehicle = ? AND onset_ms >= ? AND onset_ms < ? AND (withdrawn = 0 OR told_priority > 0)",
        (vehicle, first_ms, until_ms),
        order="onset_ms, id",
    )
    return tuple(_story(conn, each, until_ms) for each in found)


def _story(conn: sqlite3.Connection, alarm: Alarm, until_ms: int) -> AlarmStory:
    happened = history.events(conn, alarm.id)
    tries = sending.attempts(conn, alarm_id=alarm.id)
    return AlarmStory(
        alarm=alarm,
        happenings=tuple(each for each in happened if each.time_ms < until_ms),
        tries=tuple(each for each in tries if each.time_ms < until_ms),
    )
