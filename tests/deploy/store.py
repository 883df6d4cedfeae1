"""A pipeline on a store of its own, what it keeps, and what an undisturbed run would have kept."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from alerts import evidence
from alerts.journal import history
from alerts.policy import Policy
from deploy.batch import Rules
from deploy.database import Beside, Database
from deploy.pipeline import Pipeline
from ingest.decoded import WireRules
from ingest.fold import catch_up
from ingest.held import load
from ingest.record import effective
from models.course import run
from models.fleet import Fleet, Limits, Vehicle
from models.kernel import STATE
from models.layout import blank
from models.transition import Transition
from review.events import transitions
from review.trucks import CourseOf, courses_of
from tests.recorded import NOON_MS, Sample, merged

NOW_MS = NOON_MS + 400 * 86_400_000
"""The daemon's clock in these tests: long after the samples, so that none lies in the future."""

FLEET = Fleet(
    vehicles={
        "NF-01": Vehicle(
            name="NF-01",
            installed_odometer_km=49_000.0,
            limits=Limits(service_distance_km=1_100.0, over_temperature_c=115.0),
        ),
        "NF-02": Vehicle(name="NF-02", circuit="full_flow", life_used_at_start=0.8),
        "NF-03": Vehicle(name="NF-03", thermal_class="pickup"),
    }
)

COURSES = courses_of(FLEET, max_gap_s=300.0, silent_after_s=900.0)

Story = tuple[Any, ...]
"""One transition as plain values that compare, NaN included."""


def rules(**changes: Any) -> Rules:
    values: dict[str, Any] = {
        "wire": WireRules(),
        "quarantine_rows": 10_000,
        "quarantine_bytes": 10_000_000,
        "refuse_unregistered": False,
        "policy": Policy(),
        "model_version": "tests",
        **changes,
    }
    return Rules(**values)


def pipeline(
    database: Database, *, courses: CourseOf = COURSES, now_ms: int = NOW_MS, **changes: Any
) -> Pipeline:
    """Start a pipeline, as a daemon does."""
    started = Pipeline(
        database,
        registered=frozenset(FLEET.vehicles),
        courses=courses,
        rules=rules(**changes),
        now_ms=lambda: now_ms,
    )
    started.load()
    return started


@contextmanager
def store(folder: Path, name: str = "heatbook.db") -> Iterator[Database]:
    database = Database(folder / name, synchronous="off")
    try:
        yield database
    finally:
        database.close()


def story(found: Iterable[Transition]) -> list[Story]:
    return sorted(
        (
            one.vehicle,
            one.time_ms,
            one.kind,
            one.onset_ms,
            one.active,
            int(one.priority),
            one.probability,
            evidence.encode(one.evidence),
        )
        for one in found
    )


Kept = tuple[dict[str, bytes], list[Story], set[tuple[str, int, str, float]]]
"""States by truck, alarm history, values that lost: what must not depend on the order."""


def kept(
    database: Database | Beside, courses: CourseOf = COURSES, *, model_version: str = "tests"
) -> Kept:
    """Read from the file what a pipeline has kept."""
    with database.read() as conn:
        states = {name: _state(conn, name, courses, model_version) for name in _heard(conn)}
        found = story(history(conn))
        losers = {
            _loser(vehicle, field, raw)
            for vehicle, field, raw in conn.execute(
                "SELECT vehicle, field, raw FROM quarantine WHERE reason = 'conflict'"
            )
        }
    return states, found, losers


def _heard(conn: sqlite3.Connection) -> list[str]:
    rows = conn.execute("SELECT name FROM vehicle JOIN vehicle_state ON vehicle_id = id")
    return [name for (name,) in rows.fetchall()]


def _state(conn: sqlite3.Connection, name: str, courses: CourseOf, model_version: str) -> bytes:
    course = courses(name, effective(conn, name, taken_only=True))
    held = load(conn, name, course, model_version)
    assert held is not None
    assert held.on_file
    return catch_up(conn, held).state.tobytes()


def _loser(vehicle: str, field: str, raw: bytes) -> tuple[str, int, str, float]:
    body = json.loads(raw)
    return vehicle, round(body["time"] * 1000), field, float(body[field])


def undisturbed(sent: Mapping[str, Iterable[Sample]], courses: CourseOf = COURSES) -> Kept:
    """Run the kernel alone, once, over all samples of each truck in order of time."""
    states: dict[str, bytes] = {}
    found: list[Transition] = []
    losers: set[tuple[str, int, str, float]] = set()
    for vehicle, samples in sent.items():
        table, lost = merged(samples)
        if len(table) == 0:
            continue
        state = blank(STATE)
        found += transitions(vehicle, run(courses(vehicle, ()), state, table))
        states[vehicle] = state.tobytes()
        losers |= {(vehicle, *one) for one in lost}
    return states, story(found), losers


def dump(database: Database) -> list[str]:
    """Give all that is in the file, as text."""
    conn = sqlite3.connect(database.path)
    try:
        return list(conn.iterdump())
    finally:
        conn.close()
