"""The quarantine: bounded, counted, one entry for the same thing twice."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator

import pytest

from ingest import quarantine
from ingest.decoded import Refused, WireRules
from ingest.quarantine import ENTRY_OVERHEAD_BYTES, QUARANTINE_STEPS, Entry
from ingest.shares import SHARE_STEPS
from ingest.wire import decode

NOW_MS = 1_772_000_000_000


@pytest.fixture
def tx() -> Iterator[sqlite3.Connection]:
    connection = sqlite3.connect(":memory:", isolation_level=None)
    for step in (*QUARANTINE_STEPS, *SHARE_STEPS):
        for statement in step:
            connection.execute(statement)
    connection.execute("BEGIN IMMEDIATE")
    yield connection
    connection.close()


def refused(raw: bytes, reason: str = "wrong_type", field: str = "gear") -> Refused:
    return Refused(reason=reason, field=field, detail="mend it", raw=raw)


def put(
    tx: sqlite3.Connection,
    item: Refused,
    *,
    vehicle: str | None = "NF-01",
    received_ms: int = NOW_MS,
    limit_rows: int = 1000,
    limit_bytes: int = 10_000_000,
) -> None:
    quarantine.keep(
        tx,
        topic=f"fleet/{vehicle}/telemetry",
        vehicle=vehicle,
        refused=item,
        received_ms=received_ms,
        limit_rows=limit_rows,
        limit_bytes=limit_bytes,
    )


def shown(tx: sqlite3.Connection, entry_id: int) -> Entry:
    entry = quarantine.show(tx, entry_id)
    assert entry is not None
    return entry


def test_an_entry_keeps_everything(tx: sqlite3.Connection) -> None:
    put(tx, refused(b'{"gear":"\xff"}'))
    (listed,) = quarantine.listing(tx)
    assert shown(tx, listed.id) == Entry(
        id=1,
        topic="fleet/NF-01/telemetry",
        vehicle="NF-01",
        reason="wrong_type",
        field="gear",
        detail="mend it",
        raw=b'{"gear":"\xff"}',
        raw_bytes=12,
        times=1,
        first_received_ms=NOW_MS,
        last_received_ms=NOW_MS,
    )


def test_the_same_again_is_counted_and_not_kept_twice(tx: sqlite3.Connection) -> None:
    for step in range(3):
        put(tx, refused(b"x"), received_ms=NOW_MS + step)
    put(tx, refused(b"x", field="seq"))
    put(tx, refused(b"x", reason="out_of_range"))
    put(tx, refused(b"x"), vehicle="NF-02")
    first = shown(tx, 1)
    assert (first.times, first.first_received_ms, first.last_received_ms) == (
        3,
        NOW_MS,
        NOW_MS + 2,
    )
    totals = quarantine.totals(tx)
    assert (totals.entries, totals.refused, totals.dropped) == (4, 6, 0)


def test_the_oldest_go_first_when_rows_run_out(tx: sqlite3.Connection) -> None:
    put(tx, refused(b"0"), limit_rows=3)
    put(tx, refused(b"0"), limit_rows=3)
    for number in range(1, 5):
        # A clock that was set back must not make the newest the oldest.
        put(tx, refused(b"%d" % number), received_ms=NOW_MS - number, limit_rows=3)
    assert [entry.raw for entry in quarantine.listing(tx)] == [b"4", b"3", b"2"]
    totals = quarantine.totals(tx)
    assert (totals.entries, totals.refused, totals.dropped) == (3, 6, 3)


def test_the_oldest_go_first_when_bytes_run_out(tx: sqlite3.Connection) -> None:
    for number in range(10):
        put(tx, refused(b"%d" % number * 1000), limit_bytes=5000)
        assert quarantine.totals(tx).bytes <= 5000
    kept = quarantine.listing(tx)
    assert [entry.raw[:1] for entry in kept] == [b"9", b"8", b"7", b"6"]
    assert quarantine.totals(tx).dropped == 6


def test_what_is_larger_than_the_bound_is_dropped_and_counted(tx: sqlite3.Connection) -> None:
    put(tx, refused(b"x" * 5000), limit_bytes=1000)
    totals = quarantine.totals(tx)
    assert (totals.entries, totals.bytes, totals.dropped) == (0, 0, 1)


def test_the_sums_follow_every_way_out(tx: sqlite3.Connection) -> None:
    for number in range(4):
        put(tx, refused(b"%d" % number))
    taken = quarantine.take(tx, 2)
    assert taken is not None
    assert taken.raw == b"1"
    assert quarantine.take(tx, 2) is None
    assert quarantine.drop(tx, [1, 2, 3]) == 2
    (left,) = quarantine.listing(tx)
    totals = quarantine.totals(tx)
    size = ENTRY_OVERHEAD_BYTES + sum(
        len(text)
        for text in (
            left.topic,
            left.vehicle or "",
            left.reason,
            left.field,
            left.detail,
            left.raw,
        )
    )
    assert (totals.entries, totals.bytes, totals.dropped) == (1, size, 0)


def test_a_number_is_never_given_twice(tx: sqlite3.Connection) -> None:
    put(tx, refused(b"a"))
    quarantine.drop(tx, [1])
    put(tx, refused(b"b"))
    assert [entry.id for entry in quarantine.listing(tx)] == [2]


def test_listing_filters_pages_and_shortens(tx: sqlite3.Connection) -> None:
    put(tx, refused(b"a"), vehicle="NF-01")
    put(tx, refused(b"b", reason="not_json"), vehicle="NF-02")
    put(tx, refused(b"c" * 1000), vehicle="NF-02")
    put(tx, refused(b"d"), vehicle=None)
    assert [e.id for e in quarantine.listing(tx, vehicle="NF-02")] == [3, 2]
    assert [e.id for e in quarantine.listing(tx, reason="wrong_type")] == [4, 3, 1]
    assert [e.id for e in quarantine.listing(tx, limit=2)] == [4, 3]
    assert [e.id for e in quarantine.listing(tx, below_id=3)] == [2, 1]
    long = quarantine.listing(tx, below_id=4, limit=1)[0]
    assert (len(long.raw), long.raw_bytes) == (200, 1000)
    assert quarantine.show(tx, 99) is None


def test_a_topic_that_is_no_text_is_kept(tx: sqlite3.Connection) -> None:
    quarantine.keep(
        tx,
        topic="fleet/\ud800/telemetry\x00",
        vehicle=None,
        refused=refused(b""),
        received_ms=NOW_MS,
        limit_rows=10,
        limit_bytes=10_000,
    )
    assert shown(tx, 1).topic == "fleet/?/telemetry\x00"


@pytest.mark.parametrize(
    ("signal", "value", "given"),
    [("fluid_temp_c", 93.5, 93.5), ("gear", -1.0, -1), ("lockup", 1.0, True)],
)
def test_a_conflict_is_a_sample_that_can_be_put_in_again(
    tx: sqlite3.Connection, signal: str, value: float, given: object
) -> None:
    quarantine.keep_conflict(
        tx,
        vehicle="NF-03",
        time_ms=1_767_225_600_007,
        signal=signal,
        value=value,
        received_ms=NOW_MS,
        limit_rows=10,
        limit_bytes=10_000,
    )
    entry = shown(tx, 1)
    assert (entry.reason, entry.field, entry.vehicle) == ("conflict", signal, "NF-03")
    assert json.loads(entry.raw) == {"time": 1767225600.007, signal: given}
    again = decode(entry.topic, entry.raw, now_ms=NOW_MS, rules=WireRules())
    assert again.samples["time_ms"].tolist() == [1_767_225_600_007]
    assert again.samples[signal].tolist() == [value]
