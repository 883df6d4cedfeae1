"""Samples that wait for the archive: what is taken out of many costs what is taken."""

from __future__ import annotations

import sqlite3
from contextlib import closing

from ingest import postponed
from ingest.postponed import POSTPONED_STEPS
from tests.recorded import climb, records

START_MS = 1_767_225_600_000


def _opened(rows: int) -> sqlite3.Connection:
    """Give a table in which a truck has so many rows waiting, of two samples each; the newest came first."""
    tx = sqlite3.connect(":memory:", isolation_level=None)
    for statement in POSTPONED_STEPS[0]:
        tx.execute(statement)
    tx.execute("BEGIN")
    for number in reversed(range(rows)):
        samples = records([*climb(2, start_ms=START_MS + number * 60_000)])
        postponed.put(tx, vehicle_id=1, samples=samples, received_ms=rows - number)
    return tx


def test_the_oldest_are_taken_first_and_once() -> None:
    with closing(_opened(5)) as tx:
        times: list[int] = []
        while batch := postponed.take(tx, vehicle_id=1, at_once=4):
            assert len(batch.samples) <= 4
            times += batch.samples["time_ms"].tolist()
        assert len(times) == 10
        assert times == sorted(times)
        assert not postponed.has(tx, vehicle_id=1)


def test_what_is_taken_costs_the_same_however_much_waits() -> None:
    """Counted in steps of SQLite's machine, which no other work disturbs."""
    small, large = (_steps(rows) for rows in (100, 2_000))
    assert large < 1.5 * small


def _steps(rows: int) -> int:
    steps = 0

    def count() -> None:
        nonlocal steps
        steps += 1

    with closing(_opened(rows)) as tx:
        tx.set_progress_handler(count, 1)
        batch = postponed.take(tx, vehicle_id=1, at_once=20)
        assert batch is not None
        assert len(batch.samples) == 20
    return steps
