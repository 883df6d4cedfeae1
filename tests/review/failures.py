"""Reviews of the invented fleet's day, and stores with trucks that lack something."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

from alerts.teller import Teller
from deploy.database import Database
from deploy.pipeline import Pipeline
from ingest import journal
from models.units import METRIC
from review.dossier.facts import Dossier
from review.dossier.gather import dossier_of
from review.dossier.pen import Pen
from review.kinds import WORDS
from review.model_version import model_version
from simulator.northfold import START_MS
from tests.deploy.store import rules
from tests.review.northfold_day import END_MS, POLICY, courses, day_store, fleet, reader

BOTH = Pen(METRIC, both=True)
PEN = Pen(METRIC)
TELLER = Teller(words=WORDS, units=METRIC, names={})


def at(seconds: float) -> int:
    """Give a moment of the day [Unix ms]."""
    return START_MS + round(1000 * seconds)


def pipeline(database: Database) -> Pipeline:
    """Give the fleet's pipeline over a store, loaded."""
    made = Pipeline(
        database,
        registered=frozenset(fleet().vehicles),
        courses=courses(),
        rules=rules(policy=POLICY, model_version=model_version()),
        now_ms=lambda: END_MS,
    )
    made.load()
    return made


@contextmanager
def day(folder: Path) -> Iterator[tuple[Database, sqlite3.Connection]]:
    """Open a store of one's own that holds the day."""
    database = day_store(folder)
    try:
        with database.read() as conn:
            yield database, conn
    finally:
        database.close()


def review(conn: sqlite3.Connection, truck: str, until_ms: int | None = None) -> Dossier:
    return dossier_of(conn, reader(), truck, until_ms=until_ms)


def of_the_day(conn: sqlite3.Connection, truck: str) -> NDArray[Any]:
    """Give a truck's samples of the day."""
    row = conn.execute("SELECT id FROM vehicle WHERE name = ?", (truck,)).fetchone()
    return journal.read(conn, vehicle_id=row[0], first_ms=0, last_ms=2**62)


@contextmanager
def lacking(
    folder: Path, truck: str, signals: Sequence[str]
) -> Iterator[tuple[Database, sqlite3.Connection]]:
    """Give a store with one truck's day without some signals."""
    (folder / "whole").mkdir()
    with day(folder / "whole") as (_, conn):
        samples = of_the_day(conn, truck)
    for name in signals:
        samples[name] = float("nan")
    database = Database(folder / "lacking.db", synchronous="off")
    try:
        pipeline(database).commit_past(truck, samples)
        with database.read() as conn:
            yield database, conn
    finally:
        database.close()
