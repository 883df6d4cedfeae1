"""All that is kept of one alarm: how it stands, what happened to it, who was told and what came of that."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from alerts import history, ledger, outbox, sending
from alerts.history import Happening
from alerts.hold import Hold
from alerts.ledger import STANDING, Alarm
from alerts.life_rules import HoldRules
from alerts.outbox import Entry
from alerts.sending import Attempt
from review.alarm_list import cover_of, urgency


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """One alarm.

    ``told``: each telling, to whom and how far it has come; ``tries`` what came of each try, by the id of
    its sending. ``beside``: what else stands of the truck; ``newer``: the same kind came again as this one.
    ``before``: how often this truck had one of this kind before.
    """

    alarm: Alarm
    cover: Hold | None
    happened: tuple[Happening, ...]
    told: tuple[Entry, ...]
    tries: tuple[Attempt, ...]
    beside: tuple[Alarm, ...]
    newer: Alarm | None
    before: int


def alarm_story(
    conn: sqlite3.Connection, alarm_id: str, *, now_ms: int, rules: HoldRules
) -> Story | None:
    """Read one alarm; None: there is none of this id."""
    alarm = ledger.get(conn, alarm_id)
    if alarm is None:
        return None
    beside = ledger.find(
        conn, f"{STANDING} AND vehicle = ? AND id <> ?", (alarm.vehicle, alarm.id)
    )
    return Story(
        alarm=alarm,
        cover=cover_of(conn, alarm, now_ms=now_ms, rules=rules),
        happened=tuple(history.events(conn, alarm.id)),
        told=tuple(outbox.entries(conn, alarm_id=alarm.id)),
        tries=tuple(sending.attempts(conn, alarm_id=alarm.id)),
        beside=tuple(sorted(beside, key=urgency)),
        newer=_newer(conn, alarm),
        before=_before(conn, alarm),
    )


def _newer(conn: sqlite3.Connection, alarm: Alarm) -> Alarm | None:
    found = ledger.find(
        conn,
        "vehicle = ? AND kind = ? AND onset_ms > ? AND withdrawn = 0",
        (alarm.vehicle, alarm.kind, alarm.onset_ms),
        order="onset_ms DESC, id LIMIT 1",
    )
    return next(iter(found), None)


def _before(conn: sqlite3.Connection, alarm: Alarm) -> int:
    sql = (
        "SELECT count(*) FROM alarm WHERE vehicle = ? AND kind = ? AND onset_ms < ? "
        "AND withdrawn = 0"
    )
    return int(conn.execute(sql, (alarm.vehicle, alarm.kind, alarm.onset_ms)).fetchone()[0])
