"""Trucks whose own clocks are years off, among others, in any order of arrival: each is judged alone."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from random import Random

import pytest

from deploy.database import Database
from tests.deploy.store import kept, pipeline, store, undisturbed
from tests.recorded import HOUR_MS, NOON_MS, climb, message

YEAR_MS = 365 * 24 * HOUR_MS
NOW_MS = NOON_MS + 4 * HOUR_MS
RIGHT = {"NF-01": 0, "NF-02": 600_000}
OFF = {"NF-03": 10 * YEAR_MS, "NF-04": -15 * YEAR_MS, "NF-05": HOUR_MS * 24}
REASONS = {"NF-03": "future", "NF-04": "before_earliest", "NF-05": "future"}


def _refused(database: Database) -> Counter[tuple[str, str]]:
    with database.read() as conn:
        rows = conn.execute("SELECT vehicle, reason, times FROM quarantine").fetchall()
    found: Counter[tuple[str, str]] = Counter()
    for vehicle, reason, times in rows:
        found[vehicle, reason] += times
    return found


@pytest.mark.parametrize("seed", range(8))
def test_what_is_off_is_refused_by_its_reason_and_the_others_are_as_in_order(
    tmp_path: Path, seed: int
) -> None:
    days = {
        name: climb(180, start_ms=NOON_MS + off_ms, highest_c=125.0)
        for name, off_ms in (RIGHT | OFF).items()
    }
    messages = [
        message(name, day[start : start + 7])
        for name, day in days.items()
        for start in range(0, len(day), 7)
    ]
    rng = Random(seed)
    if seed:  # the first in order
        rng.shuffle(messages)
    with store(tmp_path) as database:
        running = pipeline(database, now_ms=NOW_MS)
        for start in range(0, len(messages), 11):
            running.commit(messages[start : start + 11])
        running.flush()
        assert kept(database) == undisturbed({name: days[name] for name in RIGHT})
        refused = _refused(database)
        assert refused == {(name, reason): len(days[name]) for name, reason in REASONS.items()}
        counts = running.counts
    assert counts.stored == sum(len(days[name]) for name in RIGHT)
    assert counts.refused == sum(len(days[name]) for name in OFF)
