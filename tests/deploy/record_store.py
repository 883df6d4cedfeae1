"""A store with a truck's samples in it, and a record to enter in."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from deploy.database import Database
from deploy.open_book import open_book
from deploy.pipeline import Pipeline
from models.fleet import CHART, CHART_FLUID, Fleet, Vehicle
from review.model_version import model_version
from review.reading import Reader
from review.record_book import Book
from review.trucks import CourseOf, courses_of
from tests.deploy.store import NOW_MS, pipeline
from tests.recorded import HOUR_MS, NOON_MS, climb, message

TRUCK = "NF-01"
STRANGER = "NF-09"
"""Heard, but not in the fleet file."""

SLOW = replace(CHART, name="slow", reference_life_s=2.0 * CHART.reference_life_s)

FLEET = Fleet(
    vehicles={
        TRUCK: Vehicle(name=TRUCK, title="Quarry run", life_used_at_start=0.4),
        "NF-02": Vehicle(name="NF-02", title="Never heard", circuit="full_flow"),
    },
    fluids={CHART_FLUID: CHART, "slow": SLOW},
)

DAY = climb(300, slope_k_min=0.15, start_c=80.0)
"""Five hours from noon, a sample a minute."""

AFTER_MS = NOON_MS + 6 * HOUR_MS
"""An hour after the last sample."""


def courses(fleet: Fleet = FLEET) -> CourseOf:
    return courses_of(fleet, max_gap_s=300.0, silent_after_s=900.0)


@contextmanager
def heard(folder: Path, *, fleet: Fleet = FLEET) -> Iterator[tuple[Database, Pipeline]]:
    """Give a store that holds a day of two trucks, with the pipeline that took them in."""
    database = Database(folder / "heatbook.db", synchronous="off")
    try:
        running = pipeline(database, courses=courses(fleet), model_version=model_version())
        running.commit([message(TRUCK, DAY), message(STRANGER, DAY)])
        yield database, running
    finally:
        database.close()


@contextmanager
def book(database: Database, *, fleet: Fleet = FLEET, who: str = "Kim") -> Iterator[Book]:
    with open_book(database.path, fleet, who=who, now_ms=NOW_MS) as opened:
        yield opened


def reader(fleet: Fleet = FLEET, now_ms: int = NOW_MS) -> Reader:
    return Reader(
        fleet=fleet, courses=courses(fleet), now_ms=lambda: now_ms, version=model_version()
    )
