"""Figures that the store knows: read when they are asked for, so that there is no second truth."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from alerts import ledger, sending
from alerts.own.conditions import CONDITIONS
from alerts.own.facts import OURSELVES
from alerts.watch import EVERYBODY, SILENT
from deploy.history_keeper import last_move
from deploy.metrics.from_signs import kind_of
from deploy.metrics.values import Value, value
from deploy.own_sources import newest_backup
from ingest import feed, postponed, quarantine
from models.transition import Priority

_WAITING = """
SELECT channel, count(*), min(created_ms) FROM (
    SELECT channel, created_ms FROM outbox WHERE state = 'pending' AND sending_id IS NULL
    UNION ALL SELECT channel, created_ms FROM sending WHERE state = 'pending'
) GROUP BY channel
"""
_JOBS = "SELECT job, last_ms FROM job_run ORDER BY job"


def values(conn: sqlite3.Connection, now_ms: int) -> Iterator[Value]:
    """Give all of them at ``now_ms`` [Unix ms]."""
    yield from _quarantine(conn)
    yield from _waiting(conn, now_ms)
    yield from _alarms(conn)
    yield from _history(conn)
    yield from _feed(conn, now_ms)
    for job, last_ms in conn.execute(_JOBS).fetchall():
        yield value("job_run_timestamp_seconds", last_ms / 1000, job)


def sizes(path: Path) -> Iterator[Value]:
    """Give the sizes of the store's files."""
    yield value("store_bytes", _size(path))
    yield value("store_wal_bytes", _size(path.with_name(path.name + "-wal")))


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _quarantine(conn: sqlite3.Connection) -> Iterator[Value]:
    held = quarantine.totals(conn)
    yield value("quarantine_entries", held.entries)
    yield value("quarantine_bytes", held.bytes)
    yield value("quarantine_dropped_samples", held.dropped)


def _waiting(conn: sqlite3.Connection, now_ms: int) -> Iterator[Value]:
    counts: Counter[str] = Counter()
    oldest_ms: dict[str, int] = {}
    for channel, count, since_ms in conn.execute(_WAITING).fetchall():
        kind = kind_of(channel)
        counts[kind] += count
        oldest_ms[kind] = min(since_ms, oldest_ms.get(kind, since_ms))
    for kind, count in counts.items():
        yield value("notices_waiting", count, kind)
        yield value("notices_oldest_age_seconds", max(0, now_ms - oldest_ms[kind]) / 1000, kind)
    yield value("notices_given_up", len(sending.dead_letters(conn)))


def _alarms(conn: sqlite3.Connection) -> Iterator[Value]:
    standing = ledger.standing(conn)
    own = Counter(each.kind for each in standing if each.vehicle == OURSELVES and each.active)
    trucks = Counter(each.priority for each in standing if each.vehicle != OURSELVES)
    for priority in Priority:
        yield value("alarms_standing", trucks[priority], priority.name.lower())
    for condition in CONDITIONS:
        yield value("own_alarms_standing", own[condition.kind], condition.kind)
    silent = [
        each
        for each in standing
        if each.kind == SILENT and each.active and each.vehicle != EVERYBODY
    ]
    yield value("trucks_silent", len(silent))


def _feed(conn: sqlite3.Connection, now_ms: int) -> Iterator[Value]:
    state = feed.state(conn)
    if state is None:
        return
    oldest_ms = now_ms if state.oldest_unsent_ms is None else state.oldest_unsent_ms
    yield value("influx_rows_waiting", state.rows_waiting)
    yield value("influx_oldest_age_seconds", max(0, now_ms - oldest_ms) / 1000)
    yield value("influx_failing", float(bool(state.trouble)))
    yield value("influx_points_sent", state.points)
    yield value("influx_lines_refused", state.refused)


def _history(conn: sqlite3.Connection) -> Iterator[Value]:
    move = last_move(conn)
    yield value("archive_moved_timestamp_seconds", ((move and move.done_ms) or 0) / 1000)
    yield value("archive_problems", len(move.problems) if move else 0)
    yield value("postponed_samples", postponed.waiting(conn).samples)
    yield value("backup_made_timestamp_seconds", (newest_backup(conn) or 0) / 1000)
