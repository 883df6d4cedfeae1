"""What the figures of the alarms are counted from, read out of the store."""

from __future__ import annotations

import sqlite3

from alerts.alarm import STANDS, State
from alerts.destination import person_of
from alerts.figure_rows import Arrival, Happening, Holding, Rows, Seen
from alerts.figures import DAY_MS, Figures, Rules, figures
from alerts.ledger import among
from models.transition import Priority

#: Of an alarm with a step in the span, or that stands, all that went before: it may have stood for long.
_STEPS = """
SELECT e.alarm_id, a.vehicle, a.kind, e.time_ms, e.event, e.before, e.after, e.priority
FROM alarm_event AS e JOIN alarm AS a ON a.id = e.alarm_id
WHERE e.time_ms < ?2 AND (a.active = 1 OR a.state <> 'normal'
    OR e.alarm_id IN (SELECT alarm_id FROM alarm_event WHERE time_ms >= ?1))
ORDER BY e.seq
"""
#: A report waits for nobody but from its making on; of a bundle the first of its tellings counts.
_ARRIVALS = """
SELECT destination, coalesce((SELECT min(due_ms) FROM outbox WHERE sending_id = sending.id), created_ms),
    settled_ms
FROM sending WHERE state = 'delivered' AND settled_ms >= ? AND settled_ms < ? ORDER BY seq
"""
_HOLDS = """
SELECT state, from_ms, coalesce(ended_ms, until_ms) FROM hold
WHERE from_ms < ?2 AND coalesce(ended_ms, until_ms, ?1) >= ?1 ORDER BY id
"""
_SEEN = f"""
SELECT first_seen_ms, EXISTS (SELECT 1 FROM outbox AS o WHERE o.alarm_id = a.id
    AND o.state = 'delivered' AND o.matter {among(STANDS)})
FROM alarm AS a WHERE first_seen_ms >= ? AND first_seen_ms < ? ORDER BY first_seen_ms, id
"""  # noqa: S608 - our own words


def figures_of(
    conn: sqlite3.Connection, *, since_ms: int, until_ms: int, rules: Rules | None = None
) -> Figures:
    """Count the figures of a span [Unix ms] of the store, its end not in it.

    Raises
    ------
    ValueError
        The span is empty, or nobody is there to be told.
    """
    rows = read(conn, since_ms, until_ms)
    return figures(rows, since_ms=since_ms, until_ms=until_ms, rules=rules or Rules())


def read(conn: sqlite3.Connection, since_ms: int, until_ms: int) -> Rows:
    """Read what the figures of a span [Unix ms] are counted from."""
    # A flood that began before the span may reach into it; one that lasts for a day is cut there.
    steps = conn.execute(_STEPS, (since_ms - DAY_MS, until_ms))
    span = (since_ms, until_ms)
    return Rows(
        happenings=[_happening(*row) for row in steps],
        arrivals=[
            Arrival(person=person_of(destination), wanted_ms=wanted_ms, arrived_ms=arrived_ms)
            for destination, wanted_ms, arrived_ms in conn.execute(_ARRIVALS, span)
        ],
        holdings=[
            Holding(state=State(state), from_ms=from_ms, ended_ms=ended_ms)
            for state, from_ms, ended_ms in conn.execute(_HOLDS, span)
        ],
        seen=[
            Seen(first_ms=first_ms, told=bool(told))
            for first_ms, told in conn.execute(_SEEN, span)
        ],
    )


def _happening(
    alarm_id: str,
    vehicle: str,
    kind: str,
    time_ms: int,
    event: str,
    before: str,
    after: str,
    priority: int,
) -> Happening:
    return Happening(
        alarm_id=alarm_id,
        vehicle=vehicle,
        kind=kind,
        time_ms=time_ms,
        event=event,
        before=State(before),
        after=State(after),
        priority=Priority(priority),
    )
