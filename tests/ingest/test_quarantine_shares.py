"""What is pushed out of the quarantine is of whoever holds the most: a quiet truck's refusals stay."""

from __future__ import annotations

import sqlite3
from collections import Counter, defaultdict
from contextlib import closing
from dataclasses import dataclass, replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import quarantine
from ingest.decoded import Refused
from ingest.quarantine import ENTRY_OVERHEAD_BYTES, QUARANTINE_STEPS
from ingest.shares import NOBODY, SHARE_STEPS

ROWS, BYTES = 8, 4_000
"""Bounds at which both rows and bytes run out within a few entries."""

NAMES = ("NF-01", "NF-02", "NF-03", "NF-04", None)

puts = st.tuples(
    st.just("put"),
    st.sampled_from(NAMES),
    st.builds(
        lambda number, times: b"%d" % number * times,
        st.integers(0, 400),
        st.sampled_from([1, 1, 1, 30, 200, 2000]),
    ),
)
outs = st.tuples(st.sampled_from(["take", "drop"]), st.none(), st.integers(1, 60))
deeds = st.lists(st.one_of(puts, puts, puts, outs), min_size=20, max_size=60)


def opened() -> sqlite3.Connection:
    conn = sqlite3.connect(":memory:", isolation_level=None)
    for step in (*QUARANTINE_STEPS, *SHARE_STEPS):
        for statement in step:
            conn.execute(statement)
    return conn


def put(
    tx: sqlite3.Connection,
    vehicle: str | None,
    raw: bytes,
    *,
    rows: int = ROWS,
    most: int = BYTES,
) -> None:
    quarantine.keep(
        tx,
        topic=f"fleet/{vehicle}/telemetry",
        vehicle=vehicle,
        refused=Refused(reason="not_json", field="payload", detail="mend it", raw=raw),
        received_ms=1,
        limit_rows=rows,
        limit_bytes=most,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """An entry, as the tests see it."""

    holder: str
    raw: bytes
    size: int
    times: int


def held(tx: sqlite3.Connection) -> dict[int, Held]:
    """Give what is held, by number."""
    rows = tx.execute(
        "SELECT id, coalesce(vehicle, ?), raw, size, times FROM quarantine", (NOBODY,)
    )
    return {
        key: Held(holder=holder, raw=raw, size=size, times=times)
        for key, holder, raw, size, times in rows
    }


def size_of(vehicle: str | None, raw: bytes) -> int:
    texts = (f"fleet/{vehicle}/telemetry", vehicle or "", "not_json", "payload", "mend it")
    return ENTRY_OVERHEAD_BYTES + len(raw) + sum(map(len, texts))


def shares_agree(tx: sqlite3.Connection) -> None:
    """What is kept of shares and sums is what counting the entries comes to."""
    counted = tx.execute(
        "SELECT coalesce(vehicle, ?), count(*), sum(size), min(id) FROM quarantine GROUP BY 1",
        (NOBODY,),
    ).fetchall()
    assert tx.execute("SELECT * FROM quarantine_share ORDER BY 1").fetchall() == counted
    totals = quarantine.totals(tx)
    assert totals.entries == sum(each[1] for each in counted)
    assert totals.bytes == sum(each[2] for each in counted)


def only_who_had_more_lost(before: dict[int, Held], gone: set[int], came: Held) -> None:
    """Whoever held no more than an equal part of both bounds has all that it had."""
    whose: dict[str, list[Held]] = defaultdict(list)
    for each in (*before.values(), came):
        whose[each.holder].append(each)
    for holder, all_ in whose.items():
        own = sorted(key for key, each in before.items() if each.holder == holder)
        lost = [key for key in own if key in gone]
        assert lost == own[: len(lost)], "the oldest of a truck go first"
        few = len(all_) * len(whose) <= ROWS
        small = sum(each.size for each in all_) * len(whose) <= BYTES
        assert not (few and small and lost), holder


@settings(deadline=None)
@given(deeds)
def test_bounds_are_kept_and_no_truck_below_its_part_loses_anything(
    deeds: list[tuple[str, str | None, Any]],
) -> None:
    with closing(opened()) as tx:
        refused = dropped = 0
        for deed, vehicle, what in deeds:
            before = held(tx)
            if deed == "take":
                quarantine.take(tx, what)
            elif deed == "drop":
                quarantine.drop(tx, [what])
            else:
                put(tx, vehicle, what)
                refused += 1
                dropped += _lost_to(tx, before, vehicle, what)
            totals = quarantine.totals(tx)
            assert totals.entries <= ROWS
            assert totals.bytes <= BYTES
            assert (totals.refused, totals.dropped) == (refused, dropped)
            shares_agree(tx)


def _lost_to(
    tx: sqlite3.Connection, before: dict[int, Held], vehicle: str | None, raw: bytes
) -> int:
    """Look at who paid for the room of what was just put; give how many refusals went."""
    after = held(tx)
    came = Held(holder=vehicle or NOBODY, raw=raw, size=size_of(vehicle, raw), times=1)
    for key, each in before.items():
        if (each.holder, each.raw) == (came.holder, came.raw):
            assert after == before | {key: replace(each, times=each.times + 1)}
            return 0
    if came.size > BYTES:
        assert after == before
        return 1
    gone = before.keys() - after.keys()
    only_who_had_more_lost(before, gone, came)
    kept = after.keys() - before.keys()
    assert [after[key] for key in kept] in ([came], [])
    return sum(before[key].times for key in gone) + (not kept)


def test_a_quiet_truck_keeps_its_few_beside_one_that_floods() -> None:
    with closing(opened()) as tx:
        for number in range(3):
            put(tx, "NF-01", b"quiet %d" % number)
        for number in range(200):
            put(tx, "NF-02", b"flood %d" % number)
        kept = Counter(entry.vehicle for entry in quarantine.listing(tx))
        assert kept == {"NF-01": 3, "NF-02": ROWS - 3}
        newest = [entry.raw for entry in quarantine.listing(tx, vehicle="NF-02")]
        assert newest == [b"flood %d" % number for number in range(199, 199 - ROWS + 3, -1)]
        assert quarantine.totals(tx).dropped == 200 - (ROWS - 3)


def test_few_large_ones_push_out_no_small_ones() -> None:
    with closing(opened()) as tx:
        put(tx, "NF-01", b"quiet")
        for number in range(50):
            put(tx, "NF-02", b"%02d" % number * 700)
        assert [entry.raw for entry in quarantine.listing(tx, vehicle="NF-01")] == [b"quiet"]


def test_made_up_names_that_no_truck_can_have_are_one_share() -> None:
    """They are refused before anybody knows whose they are, under as many topics as one likes."""
    with closing(opened()) as tx:
        for number in range(3):
            put(tx, "NF-01", b"quiet %d" % number)
        for number in range(100):
            quarantine.keep(
                tx,
                topic=f"fleet/no name {number}/telemetry",
                vehicle=None,
                refused=Refused(reason="bad_vehicle_name", field="topic", detail="", raw=b"{}"),
                received_ms=1,
                limit_rows=ROWS,
                limit_bytes=BYTES,
            )
        assert len(quarantine.listing(tx, vehicle="NF-01")) == 3


def test_of_trucks_that_hold_as_much_the_oldest_entry_goes() -> None:
    with closing(opened()) as tx:
        for name in ("NF-03", "NF-01", "NF-02"):
            put(tx, name, b"x", rows=2)
        assert [entry.vehicle for entry in quarantine.listing(tx)] == ["NF-02", "NF-01"]


def test_what_is_larger_than_the_bound_takes_nothing_with_it() -> None:
    with closing(opened()) as tx:
        put(tx, "NF-01", b"small")
        put(tx, "NF-01", b"x" * (BYTES + 1))
        assert [entry.raw for entry in quarantine.listing(tx)] == [b"small"]
        assert quarantine.totals(tx).dropped == 1


@pytest.mark.parametrize("trucks", [1, 400])
def test_a_full_quarantine_costs_no_more_the_larger_it_is(trucks: int) -> None:
    """Counted in steps of SQLite's machine, which no other work disturbs."""
    small, large = (_steps_a_refusal(rows, trucks) for rows in (500, 20_000))
    assert large < 1.5 * small


def _steps_a_refusal(rows: int, trucks: int) -> float:
    steps = 0

    def count() -> None:
        nonlocal steps
        steps += 1

    with closing(opened()) as tx:
        tx.execute("BEGIN")
        most = rows * (ENTRY_OVERHEAD_BYTES + 100)
        for number in range(rows):
            put(tx, f"NF-{number % trucks}", b"%d" % number, rows=rows, most=most)
        tx.set_progress_handler(count, 1)
        for number in range(100):
            put(tx, "NF-0", b"more %d" % number, rows=rows, most=most)
        assert quarantine.totals(tx).dropped == 100
    return steps / 100


def test_a_store_of_before_learns_who_holds_what() -> None:
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as tx:
        for statement in QUARANTINE_STEPS[0]:
            tx.execute(statement)
        for number, name in enumerate((None, "NF-01", "NF-01", "NF-02", None, "NF-01")):
            tx.execute(
                "INSERT INTO quarantine (digest, topic, vehicle, reason, field, detail, raw, size, times, "
                "first_received_ms, last_received_ms) VALUES (?, '', ?, '', '', '', x'00', ?, 1, 1, 1)",
                (b"%d" % number, name, 200 + number),
            )
        tx.execute(
            "UPDATE quarantine_total SET entries = 6, bytes = (SELECT sum(size) FROM quarantine)"
        )
        for statement in SHARE_STEPS[0]:
            tx.execute(statement)
        shares_agree(tx)
        quarantine.drop(tx, [1, 2, 4])
        shares_agree(tx)
