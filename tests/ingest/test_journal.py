"""The journal: appended to, read back by span, merged on the way out."""

from __future__ import annotations

from random import Random

import pytest

from ingest import journal
from tests.ingest.folded import memory, newcomer
from tests.recorded import MINUTE_MS, NOON_MS, climb, merged, records, same_bytes

DAY = climb(120)
END_MS = 2**62


def test_what_was_appended_in_any_order_is_read_in_order() -> None:
    tx = memory()
    truck = newcomer(tx).vehicle_id
    other = newcomer(tx, "NF-02").vehicle_id
    shuffled = list(DAY)
    Random(3).shuffle(shuffled)
    for start in range(0, len(shuffled), 17):
        samples = records(shuffled[start : start + 17])
        journal.append(tx, vehicle_id=truck, samples=samples, received_ms=1)
        journal.append(tx, vehicle_id=other, samples=samples[:1], received_ms=1)
    found = journal.read(tx, vehicle_id=truck, first_ms=0, last_ms=END_MS)
    assert same_bytes(found, records(DAY))


@pytest.mark.parametrize(
    ("first", "last"), [(0, 119), (10, 10), (10, 20), (119, 500), (20, 10)]
)
def test_both_ends_of_a_span_are_included(first: int, last: int) -> None:
    tx = memory()
    truck = newcomer(tx).vehicle_id
    for start in range(0, len(DAY), 50):
        samples = records(DAY[start : start + 50])
        journal.append(tx, vehicle_id=truck, samples=samples, received_ms=1)
    found = journal.read(
        tx,
        vehicle_id=truck,
        first_ms=NOON_MS + first * MINUTE_MS,
        last_ms=NOON_MS + last * MINUTE_MS,
    )
    assert same_bytes(found, records(DAY[first : last + 1]))


def test_samples_with_one_time_are_read_as_one() -> None:
    tx = memory()
    truck = newcomer(tx).vehicle_id
    again = [
        {**DAY[4], "fluid_temp_c": 99.0},
        {"time_ms": DAY[4]["time_ms"], "coolant_temp_c": 80.0},
    ]
    for samples in (DAY, again[:1], again[1:]):
        journal.append(tx, vehicle_id=truck, samples=records(samples), received_ms=1)
    found = journal.read(tx, vehicle_id=truck, first_ms=0, last_ms=END_MS)
    assert same_bytes(found, merged([*DAY, *again])[0])


def test_rows_carry_their_span_and_are_never_changed() -> None:
    tx = memory()
    truck = newcomer(tx).vehicle_id
    journal.append(tx, vehicle_id=truck, samples=records(DAY[::-1]), received_ms=77)
    row = tx.execute("SELECT first_ms, last_ms, samples, received_ms FROM journal").fetchone()
    assert row == (DAY[0]["time_ms"], DAY[-1]["time_ms"], len(DAY), 77)


def test_reading_a_span_uses_the_index() -> None:
    tx = memory()
    plan = tx.execute("EXPLAIN QUERY PLAN " + journal._SPAN, (1, 2, 3)).fetchall()
    assert any("journal_span" in row[3] for row in plan)
