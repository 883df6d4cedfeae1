"""What the demo shows, read from the store as any other program could read it."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from alerts.ledger import Alarm, alarms
from deploy.database import StoreError, read_only
from ingest.held import unpack
from ingest.journal import read
from ingest.quarantine import totals
from ingest.record import effective as record_of
from models.due import Due, due_of
from models.layout import record
from models.statement import Statement, statement
from review.circuit_standing import CircuitStanding, circuit_of
from review.trucks import CourseOf

TRACE_MS = 60 * 60_000
"""How much of the temperature is drawn [ms]."""

TRACE_POINTS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class TruckFacts:
    """One truck as it stands: temperatures [°C], load [%], speed [km/h], NaN where unknown."""

    vehicle: str
    title: str
    last_ms: int
    moving: bool
    fluid_c: float
    limit_c: float
    load_pct: float
    speed_km_h: float
    trace_c: tuple[float, ...]
    account: Statement
    due: Due
    circuit: CircuitStanding


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """A notice that a channel has taken."""

    time_ms: int
    channel: str
    vehicle: str
    kind: str
    matter: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """All that is shown of the fleet at one moment; ``alarms``: all of the day so far, newest onset first."""

    trucks: tuple[TruckFacts, ...] = ()
    alarms: tuple[Alarm, ...] = ()
    told: tuple[Told, ...] = ()
    messages: int = 0
    refused: int = 0


def look(
    path: Path,
    *,
    courses: CourseOf,
    titles: Mapping[str, str],
    now_ms: int,
    since_ms: int = 0,
) -> Facts | None:
    """Read the store; None while there is none yet. Of alarms over by ``since_ms`` nothing is said."""
    try:
        with read_only(path) as conn:
            return Facts(
                trucks=_trucks(conn, courses, titles, now_ms),
                alarms=tuple(
                    each
                    for each in alarms(conn)
                    if each.active or (each.cleared_ms or 0) >= since_ms
                ),
                told=_told(conn),
                messages=_messages(conn),
                refused=totals(conn).refused,
            )
    except (StoreError, sqlite3.OperationalError):
        return None


def _trucks(
    conn: sqlite3.Connection, courses: CourseOf, titles: Mapping[str, str], now_ms: int
) -> tuple[TruckFacts, ...]:
    rows = conn.execute(
        "SELECT vehicle.id, name, time_ms, state FROM vehicle "
        "JOIN vehicle_state ON vehicle_id = vehicle.id ORDER BY name"
    ).fetchall()
    return tuple(
        _truck(conn, row, courses=courses, titles=titles, now_ms=now_ms) for row in rows
    )


def _truck(
    conn: sqlite3.Connection,
    row: tuple[int, str, int, bytes],
    *,
    courses: CourseOf,
    titles: Mapping[str, str],
    now_ms: int,
) -> TruckFacts:
    vehicle_id, name, last_ms, body = row
    state = unpack(body)
    truck = record(state).truck
    params = courses(name, record_of(conn, name, taken_only=True)).now(state)
    samples = read(conn, vehicle_id=vehicle_id, first_ms=now_ms - TRACE_MS, last_ms=now_ms)
    loads = samples["engine_load_pct"]
    known = loads[~np.isnan(loads)]
    return TruckFacts(
        vehicle=name,
        title=titles.get(name, ""),
        last_ms=last_ms,
        moving=bool(truck.latest.moving),
        fluid_c=float(truck.account.heat.fluid_c) if truck.account.heat.fluid_ms else math.nan,
        limit_c=float(params.over_temperature.limit_c),
        load_pct=float(known[-1]) if len(known) else math.nan,
        speed_km_h=float(truck.latest.speed_km_h),
        trace_c=_trace(samples["time_ms"], samples["fluid_temp_c"], now_ms),
        account=statement(params.account, truck.account),
        due=due_of(params, record(state), now_ms),
        circuit=circuit_of(params, truck),
    )


def _trace(
    times: Sequence[int] | np.ndarray, temps: np.ndarray, now_ms: int
) -> tuple[float, ...]:
    """Give the highest temperature in each of the last spans of time, NaN where nothing came."""
    places = (np.asarray(times) - (now_ms - TRACE_MS)) * TRACE_POINTS // TRACE_MS
    trace = np.full(TRACE_POINTS, np.nan)
    for place in range(TRACE_POINTS):
        here = temps[places == place]
        here = here[~np.isnan(here)]
        if len(here):
            trace[place] = here.max()
    return tuple(float(value) for value in trace)


def _told(conn: sqlite3.Connection) -> tuple[Told, ...]:
    rows = conn.execute(
        "SELECT settled_ms, destination, vehicle, kind, matter FROM outbox "
        "JOIN alarm ON alarm.id = alarm_id WHERE outbox.state = 'delivered' "
        "ORDER BY settled_ms, seq"
    )
    return tuple(
        Told(time_ms=row[0], channel=row[1], vehicle=row[2], kind=row[3], matter=row[4])
        for row in rows
    )


def _messages(conn: sqlite3.Connection) -> int:
    row = conn.execute("SELECT messages FROM source_position").fetchone()
    return 0 if row is None else int(row[0])
