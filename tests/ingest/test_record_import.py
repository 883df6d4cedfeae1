"""Files into the record: all or nothing, twice adds nothing, no work is counted twice by mistake."""

from __future__ import annotations

import sqlite3

import pytest

from ingest import record, record_csv
from ingest.entry_fields import RecordError
from ingest.record import Entry
from ingest.record_import import Brought, Check, bring_in
from ingest.record_row import BadRecordFile, Defaults
from tests.ingest.folded import memory
from tests.ingest.told import DEFAULTS, NOW_MS, TRUCK, entry, nameless, written
from tests.recorded import HOUR_MS, NOON_MS

HEAD = "id,vehicle,kind,time,volume_l,note,supersedes,key"


def _bring(
    tx: sqlite3.Connection,
    *rows: str,
    defaults: Defaults = DEFAULTS,
    check: Check | None = None,
) -> Brought:
    data = "\r\n".join([HEAD, *rows]).encode()
    return bring_in(tx, record_csv.read(data, defaults), check=check)


def _faults(tx: sqlite3.Connection, *rows: str, check: Check | None = None) -> list[str]:
    before = written(tx)
    with pytest.raises(BadRecordFile) as caught:
        _bring(tx, *rows, check=check)
    assert written(tx) == before
    return [str(problem) for problem in caught.value.problems]


def test_a_file_written_by_hand_adds_nothing_when_it_comes_again_later() -> None:
    tx = memory()
    rows = (
        ",NF-03,top_up,2026-01-01,0.5,,,",
        ",NF-03,top_up,2026-01-01,0.5,,,",
        "a,NF-03,pan_drop,2026-01-02,4,,,",
        "b,NF-03,pan_drop,2026-01-02,4.5,misread,a,",
    )
    first = _bring(tx, *rows)
    assert (len(first.added), first.known) == (4, 0)
    later = Defaults(who="Lee", now_ms=NOW_MS + HOUR_MS)
    assert _bring(tx, *rows, defaults=later) == Brought(added=(), known=4)
    assert [each.numbers["volume_l"] for each in record.effective(tx, TRUCK)] == [0.5, 0.5, 4.5]
    third = _bring(tx, *rows[:2], rows[0])
    assert (len(third.added), third.known) == (1, 2)


def test_ids_of_a_file_are_labels_that_mean_nothing_in_the_record() -> None:
    tx = memory()
    record.add(tx, entry("filter", vehicle="NF-01"))
    record.add(tx, entry("filter", vehicle="NF-01", time_ms=NOON_MS + 1))
    brought = _bring(
        tx, "2,NF-03,pan_drop,2026-01-02,4,,1,", "1,NF-03,pan_drop,2026-01-01,4,,,"
    )
    assert [(each.id, each.supersedes) for each in brought.added] == [(3, None), (4, 3)]


def test_a_row_that_was_edited_is_not_taken_for_more_work() -> None:
    tx = memory()
    _bring(tx, ",NF-03,pan_drop,2026-01-01,4,,,")
    assert _faults(tx, ",NF-03,pan_drop,2026-01-01,4.5,,,") == [
        (
            "line 2: entry 1 in the record says otherwise of the same work; to correct it, export "
            "the record and add a row that supersedes it; if there were two, give the other its own "
            "time of day"
        )
    ]
    both = ("1,NF-03,pan_drop,2026-01-01,4,,,", "2,NF-03,pan_drop,2026-01-01,4.5,,1,")
    assert len(_bring(tx, *both).added) == 1
    assert [each.numbers["volume_l"] for each in record.effective(tx, TRUCK)] == [4.5]
    # With the first in the file, a second at the same time is meant.
    assert len(_bring(tx, *both, "3,NF-03,pan_drop,2026-01-01,1,,,").added) == 1


def test_a_record_that_was_corrected_otherwise_refuses_the_files_correction() -> None:
    tx = memory()
    first = record.add(tx, entry(numbers={"volume_l": 4.0}))
    record.add(tx, entry(numbers={"volume_l": 5.0}, supersedes=first.id))
    both = ("1,NF-03,pan_drop,2026-01-01,4,,,", "2,NF-03,pan_drop,2026-01-01,4.5,,1,")
    assert _faults(tx, *both, "3,NF-03,struck,2026-01-01,,,2,") == [
        (
            "line 3, column supersedes: entry 1 counts no longer: entry 2 superseded it; supersede that "
            "one, or enter anew what was done"
        )
    ]


def test_keys_make_entries_known_and_never_stand_for_two() -> None:
    tx = memory()
    assert len(_bring(tx, ",NF-03,pan_drop,2026-01-01,4,,,k").added) == 1
    assert _bring(tx, ",NF-03,pan_drop,2026-01-01,4,,,k").known == 1
    assert _bring(tx, ",NF-03,pan_drop,2026-01-01,4,,,").known == 1
    assert _faults(tx, ",NF-03,pan_drop,2026-01-02,4,,,k", ",NF-03,filter,2026-01-02,,,,k") == [
        f"line {line}, column key: the key 'k' is that of entry 1, which says something else; give "
        "a new entry a key of its own"
        for line in (2, 3)
    ]
    assert _bring(tx, *[",NF-03,filter,2026-01-03,,,,m"] * 2).known == 1


def test_a_file_with_one_fault_adds_nothing_even_where_nothing_else_undoes_it() -> None:
    conn = memory()
    conn.execute("COMMIT")
    assert _faults(conn, ",NF-03,pan_drop,2026-01-01,4,,,", ",NF-03,top_up,2026-01-02,4,,,",
                   check=_refuse_top_ups) == [
        "line 3: no top-ups here; go elsewhere"
    ]  # fmt: skip
    assert not conn.in_transaction
    assert record.vehicles(conn) == []


def test_what_is_asked_of_new_entries_is_asked_of_those_that_count_in_the_end() -> None:
    tx = memory()
    record.add(tx, entry("top_up", numbers={"volume_l": 1.0}))
    asked: list[Entry] = []
    brought = _bring(
        tx,
        ",NF-03,top_up,2026-01-01,1,,,",
        "1,NF-03,exchange,2026-01-02,,,,",
        "2,NF-03,exchange,2026-01-02,9,,1,",
        "3,NF-03,exchange,2026-01-03,,,,",
        "4,NF-03,struck,2026-01-03,,,3,",
        check=asked.append,
    )
    assert [each.numbers for each in asked] == [{"volume_l": 9.0}]
    assert (len(brought.added), brought.known) == (4, 1)
    assert [each.id for each in brought.added] == [2, 3, 4, 5]


def test_a_truck_is_registered_before_its_other_entries_are_asked_about() -> None:
    tx = memory()

    def known(told: Entry) -> None:
        if told.kind != "register" and told.vehicle not in record.vehicles(tx):
            raise RecordError(what="is unknown", where="vehicle", mend="register it")

    rows = (",NF-03,filter,2026-01-01,,,,", ",NF-03,register,2026-01-05,,,,")
    assert _faults(tx, rows[0], check=known) == [
        "line 2, column vehicle: is unknown; register it"
    ]
    assert [each.kind for each in _bring(tx, *rows, check=known).added] == [
        "filter",
        "register",
    ]


def test_entries_brought_in_wait_to_be_taken_like_any_others() -> None:
    tx = memory()
    _bring(tx, ",NF-03,filter,2026-01-01,,,,", ",NF-01,filter,2026-01-01,,,,")
    assert record.pending(tx) == ["NF-01", TRUCK]


def test_a_part_of_a_record_can_be_brought_in_after_the_whole() -> None:
    source = memory()
    for hour in range(3):
        record.add(source, entry("filter", time_ms=NOON_MS + hour * HOUR_MS))
    whole = written(source)
    target = memory()
    bring_in(target, record_csv.read(record_csv.write(whole), DEFAULTS))
    part = bring_in(target, record_csv.read(record_csv.write(whole[1:2]), DEFAULTS))
    assert part == Brought(added=(), known=1)
    assert nameless(written(target)) == nameless(whole)


def _refuse_top_ups(told: Entry) -> None:
    if told.kind == "top_up":
        raise ValueError("no top-ups here; go elsewhere")
