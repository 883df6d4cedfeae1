"""Trucks worth a review: a gearbox was replaced lately, or a critical alarm came."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass

from alerts import ledger
from alerts.ledger import Alarm
from ingest import record
from models.transition import Priority
from review.dossier.span import GEARBOX

MOST = 12
"""How many are offered at most [-]."""

LOOKED_AT = 200
"""Newest critical alarms among which is looked [-]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A truck with the end of a review [Unix ms]; ``alarm``: its newest critical one, None: a gearbox."""

    vehicle: str
    until_ms: int | None
    at_ms: int
    alarm: Alarm | None = None


def candidates(conn: sqlite3.Connection) -> list[Candidate]:
    """Give them: replaced gearboxes first, then critical alarms, the newest of a truck alone."""
    replaced = [
        Candidate(vehicle=each.vehicle, until_ms=each.time_ms, at_ms=each.time_ms)
        for vehicle in record.vehicles(conn)
        for each in record.effective(conn, vehicle)
        if each.kind == GEARBOX
    ]
    seen: dict[str, int] = {each.vehicle: each.at_ms for each in replaced}
    critical = []
    for alarm in ledger.find(
        conn,
        "withdrawn = 0 AND priority = ?",
        (int(Priority.CRITICAL),),
        order=f"onset_ms DESC, id LIMIT {LOOKED_AT}",
    ):
        if alarm.onset_ms <= seen.get(
            alarm.vehicle, 0
        ):  # told of already, or gone with its gearbox
            continue
        seen[alarm.vehicle] = alarm.onset_ms
        critical.append(
            Candidate(vehicle=alarm.vehicle, until_ms=None, at_ms=alarm.onset_ms, alarm=alarm)
        )
    replaced.sort(key=lambda each: -each.at_ms)
    return [*replaced, *critical][:MOST]
