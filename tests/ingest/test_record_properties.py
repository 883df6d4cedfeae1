"""Whatever is entered: what counts, chains of corrections, and files that tell it all again."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ingest import record, record_csv, record_toml
from ingest.record import STRUCK, Entry
from ingest.record_import import bring_in
from tests.ingest.folded import memory
from tests.ingest.told import BOOKS, DEFAULTS, TRUCK, entries, nameless, written

FORMS = pytest.mark.parametrize("form", [record_csv, record_toml], ids=["csv", "toml"])

SLOW = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])


@SLOW
@given(BOOKS)
def test_what_counts_is_the_newest_of_each_chain_unless_it_strikes_out(
    book: list[Entry],
) -> None:
    tx = memory()
    for told in book:
        record.add(tx, told)
    for name in record.vehicles(tx):
        chains = {
            tuple(link.id for link in record.chain(tx, each.id or 0))
            for each in record.history(tx, name)
        }
        linked = [link for chain in chains for link in chain]
        assert sorted(link or 0 for link in linked) == [
            each.id for each in record.history(tx, name)
        ]
        newest = {record.chain(tx, chain[0] or 0)[-1].id: chain for chain in chains}
        counting = [
            each
            for each in record.history(tx, name)
            if each.id in newest and each.kind != STRUCK
        ]
        counting.sort(key=lambda each: (each.time_ms, newest[each.id][0]))
        assert record.effective(tx, name) == counting


@SLOW
@given(
    st.lists(entries(vehicles=st.just(TRUCK)), max_size=6, unique_by=lambda e: e.time_ms),
    st.integers(0, 2**16),
)
def test_what_counts_does_not_depend_on_the_order_of_entering(
    told: list[Entry], seed: int
) -> None:
    shuffled = list(told)
    Random(seed).shuffle(shuffled)
    found = []
    for order in (told, shuffled):
        tx = memory()
        for each in order:
            record.add(tx, each)
        found.append([replace(each, id=None) for each in record.effective(tx, TRUCK)])
    assert found[0] == found[1]


@SLOW
@given(BOOKS, st.data())
def test_taking_bit_by_bit_leads_to_what_taking_at_the_end_does(
    book: list[Entry], data: st.DataObject
) -> None:
    tx = memory()
    for told in book:
        before = record.effective(tx, told.vehicle, taken_only=True)
        record.add(tx, told)
        assert record.effective(tx, told.vehicle, taken_only=True) == before
        if data.draw(st.booleans()):
            since_ms = record.take(tx, told.vehicle)
            after = record.effective(tx, told.vehicle, taken_only=True)
            changed = {e.id: e for e in (*before, *after) if (e in before) != (e in after)}
            assert all(each.time_ms >= since_ms for each in changed.values())
    for name in record.pending(tx):
        record.take(tx, name)
    for name in record.vehicles(tx):
        assert record.effective(tx, name, taken_only=True) == record.effective(tx, name)


@FORMS
@SLOW
@given(BOOKS)
def test_a_record_written_and_read_is_the_very_same(form: object, book: list[Entry]) -> None:
    assert form in (record_csv, record_toml)
    module = record_csv if form is record_csv else record_toml
    source, target = memory(), memory()
    for told in book:
        record.add(source, told)
    exported = module.write(written(source))
    told_again = module.read(exported, DEFAULTS)
    brought = bring_in(target, told_again)
    assert (len(brought.added), brought.known) == (len(book), 0)
    assert nameless(written(target)) == nameless(written(source))
    assert module.read(module.write(written(target)), DEFAULTS)
    for tx in (target, source):
        assert bring_in(tx, told_again).added == ()
    assert nameless(written(target)) == nameless(written(source))


@SLOW
@given(BOOKS, st.integers(0, 8))
def test_a_file_adds_what_a_record_lacks_and_nothing_twice(book: list[Entry], cut: int) -> None:
    source, target = memory(), memory()
    for told in book:
        record.add(source, told)
    everything = sorted(written(source), key=lambda each: each.id or 0)
    known = everything[:cut]
    bring_in(target, record_csv.read(record_csv.write(known), DEFAULTS))
    brought = bring_in(target, record_toml.read(record_toml.write(everything), DEFAULTS))
    assert (len(brought.added), brought.known) == (len(everything) - len(known), len(known))
    assert nameless(written(target)) == nameless(written(source))


@SLOW
@given(BOOKS, st.integers(0, 2**16))
def test_rows_may_stand_in_any_order(book: list[Entry], seed: int) -> None:
    source, target = memory(), memory()
    for told in book:
        record.add(source, told)
    lines = record_csv.write(written(source))
    shuffled = written(source)
    Random(seed).shuffle(shuffled)
    bring_in(target, record_csv.read(record_csv.write(shuffled), DEFAULTS))
    assert len(written(target)) == len(book)
    assert bring_in(target, record_csv.read(lines, DEFAULTS)).added == ()
