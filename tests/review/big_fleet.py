"""A store of many invented trucks with an hour of driving each: the real pipeline over made-up samples."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from deploy.database import Database
from deploy.pipeline import Pipeline
from models.fleet import Fleet, Vehicle
from review.model_version import model_version
from review.reading import Reader
from review.trucks import CourseOf, courses_of
from tests.deploy.store import rules
from tests.recorded import MINUTE_MS, NOON_MS, Sample, message

MINUTES = 12
NOW_MS = NOON_MS + MINUTES * MINUTE_MS
_CIRCUITS = ("thermostatic_bypass", "full_flow", "coolant_exchanger", "radiator_tank")


@cache
def big_fleet(trucks: int) -> Fleet:
    """Invent a fleet of so many trucks, of every circuit."""
    return Fleet(
        vehicles={
            name: Vehicle(
                name=name,
                title=f"Yard {number % 7} truck {number}",
                circuit=_CIRCUITS[number % 4],  # type: ignore[arg-type] # of the four
                life_used_at_start=(number % 60) / 100.0,
            )
            for number in range(trucks)
            for name in (f"BF-{number:03}",)
        }
    )


@cache
def _courses(trucks: int) -> CourseOf:
    return courses_of(big_fleet(trucks), max_gap_s=300.0, silent_after_s=1800.0)


def big_reader(trucks: int) -> Reader:
    return Reader(
        fleet=big_fleet(trucks),
        courses=_courses(trucks),
        now_ms=lambda: NOW_MS,
        version=model_version(),
    )


def big_store(path: Path, trucks: int) -> Database:
    """Make a store in which each truck has driven a while; every hundredth is far too hot."""
    database = Database(path, synchronous="off")
    pipeline = running(database, trucks)
    names = sorted(big_fleet(trucks).vehicles)
    pipeline.commit([message(name, _drive(number)) for number, name in enumerate(names)])
    pipeline.flush()
    return database


def running(database: Database, trucks: int) -> Pipeline:
    """Give the pipeline of the store."""
    pipeline = Pipeline(
        database,
        registered=frozenset(big_fleet(trucks).vehicles),
        courses=_courses(trucks),
        rules=rules(model_version=model_version()),
        now_ms=lambda: NOW_MS,
    )
    pipeline.load()
    return pipeline


def _drive(number: int) -> list[Sample]:
    usual = (78.0, 44.0, 87.0, 80.0)[number % 4]
    hot = 152.0 if number % 100 == 7 else usual + number % 3 / 10.0
    return [
        {
            "time_ms": NOON_MS + minute * MINUTE_MS,
            "fluid_temp_c": hot,
            "ambient_temp_c": 25.0,
            "coolant_temp_c": 88.0,
            "speed_km_h": 70.0,
            "engine_rpm": 1500.0,
            "engine_load_pct": 40.0,
            "gear": 6.0,
            "lockup": 1.0,
        }
        for minute in range(MINUTES)
    ]
