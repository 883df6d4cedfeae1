"""A store that holds the invented fleet's day, made once: the real pipeline over simulated trucks."""

from __future__ import annotations

import shutil
import tempfile
from functools import cache
from pathlib import Path

from alerts.life_rules import LATCHING
from alerts.policy import Policy
from deploy.database import Database
from deploy.fleet import load_fleet
from deploy.pipeline import Pipeline
from ingest.message import Message
from models.fleet import Fleet
from review.model_version import model_version
from review.reading import Reader
from review.trucks import CourseOf, courses_of
from simulator.capture import fleet_messages
from simulator.northfold import DAY_S, START_MS, fleet_file, northfold
from tests.deploy.store import rules

END_MS = START_MS + DAY_S * 1000
POLICY = Policy(latching=LATCHING)


@cache
def fleet() -> Fleet:
    """The invented fleet as its file says."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "northfold.toml"
        file.write_text(fleet_file(), encoding="utf-8")
        return load_fleet(file)


@cache
def courses() -> CourseOf:
    return courses_of(fleet(), max_gap_s=300.0, silent_after_s=1800.0)


def reader(now_ms: int = END_MS) -> Reader:
    return Reader(
        fleet=fleet(), courses=courses(), now_ms=lambda: now_ms, version=model_version()
    )


def taken_in(database: Database) -> Pipeline:
    """Take the whole day in, commit by commit, each at its own time."""
    clock = {"now_ms": START_MS}
    running = Pipeline(
        database,
        registered=frozenset(fleet().vehicles),
        courses=courses(),
        rules=rules(policy=POLICY, model_version=model_version()),
        now_ms=lambda: clock["now_ms"],
    )
    running.load()
    messages = [
        Message(topic=each.topic, payload=each.payload)
        for each in fleet_messages(northfold(), start_ms=START_MS, duration_s=DAY_S, seed=1)
    ]
    for start in range(0, len(messages), 500):
        clock["now_ms"] = START_MS + round(
            DAY_S * 1000 * min(1.0, (start + 500) / len(messages))
        )
        running.commit(messages[start : start + 500])
    running.flush()
    return running


@cache
def _made() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="heatbook-day-"))
    database = Database(folder / "heatbook.db", synchronous="off")
    taken_in(database)
    database.close()
    return folder


def day_store(folder: Path) -> Database:
    """Give a store of one's own that holds the day."""
    path = folder / "heatbook.db"
    shutil.copy(_made() / "heatbook.db", path)
    return Database(path, synchronous="off")
