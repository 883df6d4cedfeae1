"""A store in memory with one truck, for the tests of folding."""

from __future__ import annotations

import sqlite3

from ingest import schema
from ingest.held import Held, introduce
from models.course import NO_ENTRIES, Course
from models.fleet import CHART, Vehicle
from models.parameters import parameters

RECEIVED_MS = 1_780_000_000_000


def memory() -> sqlite3.Connection:
    conn = sqlite3.connect(":memory:", isolation_level=None)
    for step in schema.STEPS:
        for statement in step:
            conn.execute(statement)
    conn.execute("BEGIN IMMEDIATE")
    return conn


def newcomer(tx: sqlite3.Connection, name: str = "NF-01") -> Held:
    params = parameters(Vehicle(name=name), CHART, max_gap_s=300.0, silent_after_s=900.0)
    return introduce(tx, name, Course(params, NO_ENTRIES), "tests", RECEIVED_MS)
