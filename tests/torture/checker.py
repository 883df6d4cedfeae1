"""What must be true when an experiment is over: the ledger beside the store, and the reference."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from alerts import journal, outbox
from alerts.ledger import Alarm
from deploy.database import read_only
from ingest import held as holding
from ingest.codec import decode
from models.sample import SIGNAL_NAMES
from models.transition import Transition
from tests.torture.ledger import Ledger, Values, time_ms, values

Rows = list[tuple[int, Values]]


@dataclass(slots=True)
class Stored:
    """What a store holds at the end: raw rows, states, transitions, notices by id."""

    rows: dict[str, Rows] = field(default_factory=dict)
    states: dict[str, tuple[int, bytes]] = field(default_factory=dict)
    transitions: list[Transition] = field(default_factory=list)
    notices: dict[str, tuple[str, str, int, int, str]] = field(default_factory=dict)
    alarms: list[Alarm] = field(default_factory=list)
    unsettled: int = 0
    missing: dict[str, int] = field(default_factory=dict)
    refused: int = 0


def stored(path: Path) -> Stored:
    """Read a store with the daemon away."""
    found = Stored()
    with read_only(path) as conn:
        assert conn.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        for vehicle_id, name in conn.execute("SELECT id, name FROM vehicle").fetchall():
            found.rows[name] = _rows(conn, vehicle_id) + _sealed(conn, path, vehicle_id)
            found.missing[name] = holding.load_sequence(conn, vehicle_id).missing
            state = conn.execute(
                "SELECT time_ms, state FROM vehicle_state WHERE vehicle_id = ?", (vehicle_id,)
            ).fetchone()
            if state is not None:
                found.states[name] = state
        found.transitions = journal.history(conn)
        found.alarms = journal.alarms(conn)
        for entry in outbox.entries(conn):
            if entry.state == "cancelled":
                continue  # later samples showed it untrue before anybody was told
            about = (entry.alarm_id, entry.matter.value, entry.turn, int(entry.priority))
            found.notices[entry.id] = (*about, entry.destination)
        found.unsettled = len(outbox.entries(conn, state="pending"))
        found.refused = conn.execute("SELECT refused FROM quarantine_total").fetchone()[0]
    return found


def _rows(conn: sqlite3.Connection, vehicle_id: int) -> Rows:
    rows: Rows = []
    statement = "SELECT body FROM journal WHERE vehicle_id = ? ORDER BY id"
    for (body,) in conn.execute(statement, (vehicle_id,)):
        samples = decode(body)
        columns = [samples[name].tolist() for name in SIGNAL_NAMES]
        rows += zip(samples["time_ms"].tolist(), zip(*columns, strict=True), strict=True)
    return rows


def _sealed(conn: sqlite3.Connection, path: Path, vehicle_id: int) -> Rows:
    """Read what has gone to the archive; what lies there and in the journal shows as doubled."""
    rows: Rows = []
    statement = "SELECT place, name FROM sealed, archive_place WHERE vehicle_id = ?"
    for place, name in conn.execute(statement, (vehicle_id,)):
        file = path.parent / place / "samples" / f"{name}.parquet"
        table = pq.read_table(file, partitioning=None)
        columns = [_numbers(table.column(name)) for name in SIGNAL_NAMES]
        times = table.column("time").cast(pa.int64()).to_pylist()
        rows += zip(times, zip(*columns, strict=True), strict=True)
    return rows


def _numbers(column: pa.ChunkedArray) -> list[float]:
    return [math.nan if value is None else value for value in column.to_pylist()]


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The figures of one experiment; ``problems`` is empty when all holds."""

    samples: int
    acknowledged: int
    lost: int
    lost_acknowledged: int
    doubled: int
    altered: int
    accounts_equal: bool
    transitions: int
    transitions_equal: bool
    notices: int
    notices_missing: int
    notices_renamed: int
    problems: tuple[str, ...]


def compare(
    ledger: Ledger, live: Stored, reference: Stored, received: Collection[str]
) -> Verdict:
    """Lay the live store beside the ledger and beside an undisturbed run of the same samples.

    ``received`` are the ids of the notices that have come to the web address. Which notices there
    must be cannot be told from the samples alone (an alarm that rises within one commit is told
    once); that each episode was told on each channel can.
    """
    lost = lost_acknowledged = doubled = altered = 0
    for vehicle, truck in ledger.trucks.items():
        rows = live.rows.get(vehicle, [])
        kept = dict(rows)
        doubled += len(rows) - len(kept)
        sent = {time_ms(sample): (seq, sample) for seq, sample in truck.samples.items()}
        assert len(sent) == len(truck.samples), f"{vehicle} gave one time to two samples"
        gone = [seq for time, (seq, _) in sent.items() if time not in kept]
        lost += len(gone)
        lost_acknowledged += len(truck.acknowledged.intersection(gone))
        altered += sum(not _same(sent, time, row) for time, row in kept.items())
    problems = _problems(live, reference)
    return Verdict(
        samples=ledger.recorded,
        acknowledged=ledger.acknowledged,
        lost=lost,
        lost_acknowledged=lost_acknowledged,
        doubled=doubled,
        altered=altered,
        accounts_equal=live.states == reference.states,
        transitions=len(live.transitions),
        transitions_equal=live.transitions == reference.transitions,
        notices=len(live.notices),
        notices_missing=_untold(live) + live.unsettled + len(_posted(live) - set(received)),
        notices_renamed=len(live.notices)
        - len(set(live.notices.values()))
        + len(set(received) - _posted(live)),
        problems=tuple(problems),
    )


def _same(sent: Mapping[int, tuple[int, Mapping[str, Any]]], time: int, row: Values) -> bool:
    if time not in sent:
        return False
    wanted = values(sent[time][1], SIGNAL_NAMES)
    return all(
        a == b or (math.isnan(a) and math.isnan(b)) for a, b in zip(wanted, row, strict=True)
    )


def _posted(live: Stored) -> set[str]:
    return {name for name, about in live.notices.items() if about[4].startswith("webhook:")}


def _untold(live: Stored) -> int:
    """Count the channels that were never told of an episode which the samples show."""
    channels = {about[4] for about in live.notices.values()}
    told = {(about[0], about[4]) for about in live.notices.values() if about[1] != "normal"}
    standing = {
        (alarm.vehicle, alarm.kind, alarm.onset_ms): alarm.id
        for alarm in live.alarms
        if not alarm.withdrawn
    }
    episodes = {(one.vehicle, one.kind, one.onset_ms) for one in live.transitions}
    return sum(
        (standing.get(episode, ""), channel) not in told
        for episode in episodes
        for channel in channels
    )


def _problems(live: Stored, reference: Stored) -> list[str]:
    found = [
        f"state of {name} differs"
        for name in sorted(set(live.states) | set(reference.states))
        if live.states.get(name) != reference.states.get(name)
    ]
    found += [
        f"only live: {one}" for one in live.transitions if one not in reference.transitions
    ]
    found += [
        f"not live: {one}" for one in reference.transitions if one not in live.transitions
    ]
    return found[:20]
