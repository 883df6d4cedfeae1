"""The service record: entries are only added, corrections supersede, a repeat is known as one."""

from __future__ import annotations

import sqlite3
from dataclasses import replace

import pytest

from ingest import record
from ingest.record import Entry, RecordError
from tests.ingest.folded import memory
from tests.ingest.told import TRUCK, entry
from tests.recorded import HOUR_MS, NOON_MS


def _kinds(entries: list[Entry]) -> list[str]:
    return [each.kind for each in entries]


def test_an_entry_is_given_back_as_it_was_told_with_an_id() -> None:
    tx = memory()
    told = entry(
        "sample",
        numbers={"antioxidant": 0.62, "odometer_km": 61_310},
        words={"laboratory": "of the works", "sample": "A-17"},
        note="drawn warm",
        key="lab:A-17",
    )
    stored = record.add(tx, told)
    assert stored == replace(told, id=stored.id)
    assert record.history(tx, TRUCK) == [stored]
    assert isinstance(record.history(tx, TRUCK)[0].numbers["odometer_km"], float)


def test_a_truck_need_not_have_been_heard() -> None:
    tx = memory()
    record.add(tx, entry(vehicle="NF-99"))
    assert record.vehicles(tx) == ["NF-99"]
    assert tx.execute("SELECT count(*) FROM vehicle").fetchone() == (0,)


@pytest.mark.parametrize(
    "statement", ["UPDATE service_entry SET note = 'x'", "DELETE FROM service_entry"]
)
def test_the_store_itself_refuses_to_change_what_was_entered(statement: str) -> None:
    tx = memory()
    before = [record.add(tx, entry())]
    with pytest.raises(sqlite3.IntegrityError, match="only added to"):
        tx.execute(statement)
    assert record.history(tx, TRUCK) == before


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"id": 1, "key": None, "supersedes": None}, "only added to"),
        ({"id": None, "key": "one", "supersedes": None}, "only added to"),
        ({"id": None, "key": None, "supersedes": 1}, "only added to"),
        ({"id": None, "key": None, "supersedes": 77}, "of its own truck"),
        ({"id": None, "key": None, "supersedes": 2, "vehicle": "NF-01"}, "of its own truck"),
    ],
)
def test_the_store_itself_refuses_to_replace_what_was_entered(
    changed: dict[str, object], why: str
) -> None:
    tx = memory()
    first = record.add(tx, entry(key="one"))
    before = [first, record.add(tx, entry(supersedes=first.id))]
    columns = record._COLUMNS.split(", ")
    row = tx.execute("SELECT * FROM service_entry WHERE id = 1").fetchone()
    values = {**dict(zip(columns, row, strict=True)), **changed}
    places = ", ".join(f":{name}" for name in columns)
    with pytest.raises(sqlite3.IntegrityError, match=why):
        tx.execute(f"INSERT OR REPLACE INTO service_entry VALUES ({places})", values)  # noqa: S608
    assert record.history(tx, TRUCK) == before


def test_what_is_superseded_or_struck_out_counts_no_longer_and_stays_to_be_read() -> None:
    tx = memory()
    drop = record.add(tx, entry("pan_drop"))
    kept = record.add(tx, entry("filter", time_ms=NOON_MS + HOUR_MS))
    more = record.add(tx, entry("exchange", supersedes=drop.id))
    assert record.effective(tx, TRUCK) == [more, kept]
    struck = record.add(tx, entry("struck", supersedes=more.id))
    assert record.effective(tx, TRUCK) == [kept]
    assert _kinds(record.history(tx, TRUCK)) == ["pan_drop", "filter", "exchange", "struck"]
    for link in (drop, more, struck):
        assert record.chain(tx, link.id or 0) == [drop, more, struck]
    assert record.chain(tx, kept.id or 0) == [kept]


def test_a_correction_keeps_its_place_among_entries_of_one_time() -> None:
    tx = memory()
    first = record.add(tx, entry("pan_drop"))
    second = record.add(tx, entry("top_up", numbers={"volume_l": 1.0}))
    mended = record.add(tx, entry("pan_drop", numbers={"volume_l": 4.0}, supersedes=first.id))
    assert record.effective(tx, TRUCK) == [mended, second]
    again = record.add(tx, entry("pan_drop", numbers={"volume_l": 4.5}, supersedes=mended.id))
    assert record.effective(tx, TRUCK) == [again, second]


def test_superseding_what_cannot_be_superseded_is_refused_with_the_way_to_mend_it() -> None:
    tx = memory()
    first = record.add(tx, entry())
    second = record.add(tx, entry(supersedes=first.id))
    struck = record.add(tx, entry("struck", supersedes=second.id))
    refused = [
        (entry(supersedes=99), "there is no entry 99"),
        (entry(supersedes=first.id), "entry 1 counts no longer: entry 2 superseded it"),
        (entry(supersedes=struck.id), "entry 3 only strikes out entry 2"),
        (entry(vehicle="NF-01", supersedes=first.id), "entry 1 is of NF-03, not of NF-01"),
    ]
    for told, what in refused:
        with pytest.raises(RecordError) as caught:
            record.add(tx, told)
        assert (caught.value.where, caught.value.what) == ("supersedes", what)
        assert caught.value.mend
    assert len(record.history(tx, TRUCK)) == 3


def test_all_problems_of_an_entry_are_listed_at_once() -> None:
    tx = memory()
    told = entry("top_up", vehicle="NF 03", numbers={"volume_l": 0.0}, who="", supersedes=7)
    found = [error.where for error in record.problems(tx, told)]
    assert found == ["vehicle", "volume_l", "who", "supersedes"]


def test_a_chain_of_an_unknown_entry_is_refused() -> None:
    with pytest.raises(RecordError, match="there is no entry 5"):
        record.chain(memory(), 5)


def test_the_same_key_with_the_same_content_is_the_same_entry() -> None:
    tx = memory()
    told = entry("sample", numbers={"acid_mg_g": 1.5, "acid_new_mg_g": 0.5}, key="a")
    stored = record.add(tx, told)
    late = replace(told, entered_ms=told.entered_ms + HOUR_MS)
    assert record.add(tx, late) == stored
    assert record.history(tx, TRUCK) == [stored]


@pytest.mark.parametrize(
    "other",
    [
        entry(key="a", note="x"),
        entry(key="a", who="Lee"),
        entry(key="a", time_ms=NOON_MS + 1),
        entry(key="a", vehicle="NF-01"),
        entry(key="a", numbers={"volume_l": 4.0}),
        entry("exchange", key="a"),
    ],
)
def test_the_same_key_with_other_content_is_refused(other: Entry) -> None:
    tx = memory()
    record.add(tx, entry(key="a"))
    with pytest.raises(RecordError, match="the key 'a' is that of entry 1") as caught:
        record.add(tx, other)
    assert caught.value.where == "key"
    assert len(record.history(tx, TRUCK)) == 1


def test_entries_wait_until_they_are_taken_and_say_from_when_on_they_matter() -> None:
    tx = memory()
    old = record.add(tx, entry(time_ms=NOON_MS - HOUR_MS))
    record.add(tx, entry(vehicle="NF-01"))
    assert record.pending(tx) == ["NF-01", TRUCK]
    assert record.effective(tx, TRUCK, taken_only=True) == []
    assert record.take(tx, TRUCK) == NOON_MS - HOUR_MS
    assert record.pending(tx) == ["NF-01"]
    assert record.effective(tx, TRUCK, taken_only=True) == [old]
    moved = record.add(tx, entry(time_ms=NOON_MS + HOUR_MS, supersedes=old.id))
    assert record.effective(tx, TRUCK, taken_only=True) == [old]
    assert record.take(tx, TRUCK) == NOON_MS - HOUR_MS
    assert record.effective(tx, TRUCK, taken_only=True) == [moved]
    with pytest.raises(ValueError, match="empty"):
        record.take(tx, TRUCK)


def test_reading_a_truck_and_what_superseded_an_entry_uses_an_index() -> None:
    tx = memory()
    for statement, values in ((record._ALL, ("x",)), (record._ONE.format("supersedes"), (1,))):
        plan = tx.execute(f"EXPLAIN QUERY PLAN {statement}", values).fetchall()
        assert all("SCAN" not in row[3] for row in plan)
