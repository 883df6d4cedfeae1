"""The fleet in memory: what it takes up, when, and that it costs the store little."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from alerts import holds, lifecycle
from alerts.alarm import State
from deploy import erasure
from deploy.clock import monotonic_ms
from deploy.database import Database
from deploy.waiting import until
from ingest.record import Entry
from models.course import Course
from review.board import AGAIN_MS, Board
from review.board_fleet import FleetLive
from review.record_book import Book
from review.service_record import drop_pan
from tests.recorded import MINUTE_MS, message
from tests.review.big_fleet import NOW_MS, big_reader, big_store, running
from tests.review.northfold_day import END_MS, POLICY, day_store, reader

TRUCKS = 12


class Counting:
    """A store that counts how often it is read."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self.reads = 0

    @contextmanager
    def read(self) -> Iterator[sqlite3.Connection]:
        self.reads += 1
        with self._database.read() as conn:
            yield conn


@pytest.fixture
def day(tmp_path: Path) -> Iterator[Database]:
    database = day_store(tmp_path)
    yield database
    database.close()


@pytest.fixture
def big(tmp_path: Path) -> Iterator[Database]:
    database = big_store(tmp_path / "heatbook.db", TRUCKS)
    yield database
    database.close()


def board_of_day(database: Database) -> Board:
    board = Board(
        database, reader(), groups={"quarry": frozenset({"NF-03"})}, uptime_ms=monotonic_ms
    )
    board.refresh()
    return board


def test_it_says_how_far_it_has_read() -> None:
    assert FleetLive(epoch="0", at_ms=0).reading


def test_it_holds_every_truck_with_what_stands(day: Database) -> None:
    fleet = board_of_day(day).now()
    assert not fleet.reading
    assert list(fleet.trucks) == [f"NF-{number:02}" for number in range(1, 11)]
    sick = fleet.trucks["NF-03"]
    assert [each.kind for each in sick.alarms] == ["bypass_stuck", "over_temperature"]
    assert sick.groups == ("quarry",)
    assert sick.signals is not None
    assert sick.signals.fluid_c == pytest.approx(94.2)
    assert sick.valve is not None
    assert sick.valve.word == "shut"
    assert sick.valve.healthy_share > 0.5
    assert [truck.name for truck, _ in fleet.needing(END_MS)] == ["NF-03", "NF-07", "NF-05"]


def test_it_agrees_with_what_is_read_truck_by_truck(day: Database) -> None:
    fleet = board_of_day(day).now()
    with day.read() as conn:
        stored = {each.name: each for each in reader().trucks(conn)}
    for name, truck in fleet.trucks.items():
        assert truck.account is not None
        assert truck.account.life_used == stored[name].statement.life_used
        assert truck.last_ms == stored[name].held.last_ms  # type: ignore[union-attr] # all were heard


def test_where_nothing_happened_nothing_changes(day: Database) -> None:
    board = board_of_day(day)
    before = board.now()
    board.refresh()
    after = board.now()
    assert after.version == before.version
    assert all(after.trucks[name] is truck for name, truck in before.trucks.items())


def test_an_acknowledgement_shows_at_once_and_costs_no_reading(day: Database) -> None:
    board = board_of_day(day)
    before = board.now()
    first = before.trucks["NF-03"].alarms[0]
    with day.write() as tx:
        lifecycle.acknowledge(tx, first.id, by="Omar", now_ms=END_MS)
    board.look()
    after = board.now()
    assert after.trucks["NF-03"].alarms[0].state is State.ACKNOWLEDGED
    assert after.trucks["NF-03"].account is before.trucks["NF-03"].account
    assert after.changed_since(before.version) == ["NF-03"]


def test_a_hold_shows_at_once(day: Database) -> None:
    board = board_of_day(day)
    with day.write() as tx:
        holds.place(
            tx,
            state=State.OUT_OF_SERVICE,
            vehicle="NF-07",
            kind=None,
            until_ms=None,
            by="Ines",
            reason="sold",
            now_ms=END_MS,
            policy=POLICY,
        )
    board.look()
    assert [each.reason for each in board.now().trucks["NF-07"].holds] == ["sold"]


def test_only_what_was_heard_is_read_again(big: Database) -> None:
    store = Counting(big)
    board = Board(store, big_reader(TRUCKS), groups={}, uptime_ms=monotonic_ms)
    board.refresh()
    before, reads = board.now(), store.reads
    assert reads == TRUCKS + 1
    pipeline = running(big, TRUCKS)
    pipeline.commit(
        [message("BF-004", [{"time_ms": NOW_MS + MINUTE_MS, "fluid_temp_c": 101.5}])]
    )
    board.refresh()
    after = board.now()
    assert store.reads == reads + 2
    assert after.changed_since(before.version) == ["BF-004"]
    signals = after.trucks["BF-004"].signals
    assert signals is not None
    assert signals.fluid_c == 101.5


def test_a_truck_heard_for_the_first_time_is_there(big: Database) -> None:
    board = Board(big, big_reader(TRUCKS), groups={}, uptime_ms=monotonic_ms)
    board.refresh()
    running(big, TRUCKS).commit(
        [message("STRANGER-1", [{"time_ms": NOW_MS, "fluid_temp_c": 60.0}])]
    )
    board.refresh()
    stranger = board.now().trucks["STRANGER-1"]
    assert not stranger.registered
    assert stranger.standing == "good"


def test_what_is_entered_counts_once_it_is_taken_up(big: Database) -> None:
    reads = big_reader(TRUCKS)
    board = Board(big, reads, groups={}, uptime_ms=monotonic_ms)
    board.refresh()
    before = board.now().trucks["BF-011"].account
    with big.write() as tx:
        book = Book(tx=tx, fleet=reads.fleet, who="Omar", now_ms=NOW_MS)
        drop_pan(book, "BF-011", NOW_MS, volume_l=6.0)
    board.refresh()
    assert board.now().trucks["BF-011"].waiting
    running(big, TRUCKS)
    board.refresh()
    after = board.now().trucks["BF-011"]
    assert not after.waiting
    assert before is not None
    assert after.account is not None
    assert after.account.life_used < before.life_used


def test_dates_move_on_though_nothing_comes(big: Database) -> None:
    clock = {"ms": 0}
    store = Counting(big)
    board = Board(store, big_reader(TRUCKS), groups={}, uptime_ms=lambda: clock["ms"])
    board.refresh()
    reads = store.reads
    clock["ms"] = AGAIN_MS - 1
    board.refresh()
    assert store.reads == reads + 1
    clock["ms"] = AGAIN_MS
    board.refresh()
    assert store.reads == reads + 2 + TRUCKS


def test_a_truck_that_was_erased_is_not_read_again(big: Database) -> None:
    clock = {"ms": 0}
    store = Counting(big)
    board = Board(store, big_reader(TRUCKS), groups={}, uptime_ms=lambda: clock["ms"])
    taken = running(big, TRUCKS)
    taken.commit([message("STRANGER-1", [{"time_ms": NOW_MS, "fluid_temp_c": 60.0}])])
    board.refresh()
    with big.write() as tx:
        erasure.ask(tx, "STRANGER-1", "Kim", NOW_MS)
    taken.commit_erasures()
    board.refresh()
    assert "STRANGER-1" not in board.now().trucks
    clock["ms"] = 2 * AGAIN_MS
    reads = store.reads
    board.refresh()
    assert store.reads == reads + 1 + TRUCKS


def test_a_truck_that_cannot_be_read_is_told_and_the_others_are_read(big: Database) -> None:
    reads = big_reader(TRUCKS)

    def courses(name: str, entries: Sequence[Entry]) -> Course:
        if name == "BF-003":
            raise ValueError("no such fluid")
        return reads.courses(name, entries)

    board = Board(
        big,
        replace(reads, courses=courses),
        groups={},
        uptime_ms=monotonic_ms,
    )
    board.refresh()
    fleet = board.now()
    assert not fleet.reading
    assert fleet.trucks["BF-003"].trouble == "no such fluid"
    assert fleet.trucks["BF-004"].standing == "good"


def test_its_thread_reads_wakes_and_ends(big: Database) -> None:
    board = Board(big, big_reader(TRUCKS), groups={}, uptime_ms=monotonic_ms)
    woken = threading.Event()
    leave = board.subscribe(woken.set)
    assert board.now().reading
    board.start()
    try:
        assert until(lambda: not board.now().reading, 30.0)
        assert woken.wait(1.0)
        woken.clear()
        with big.write() as tx:
            (name,) = tx.execute("SELECT id FROM alarm WHERE state <> 'normal'").fetchone()
            lifecycle.acknowledge(tx, name, by="Kim", now_ms=NOW_MS)
        assert woken.wait(10.0)
        leave()
    finally:
        assert board.stop()
    assert board.stopping


def test_a_truck_at_which_the_store_fails_is_not_lost(
    big: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = Counting(big)
    read = store.read

    @contextmanager
    def fifth_fails() -> Iterator[sqlite3.Connection]:
        with read() as conn:
            if store.reads == 5:
                raise sqlite3.OperationalError("disk I/O error")
            yield conn

    monkeypatch.setattr(store, "read", fifth_fails)
    board = Board(store, big_reader(TRUCKS), groups={}, uptime_ms=monotonic_ms)
    with pytest.raises(sqlite3.OperationalError):
        board.refresh()
    assert len(board.now().trucks) == 3
    board.refresh()
    assert not board.now().reading
    assert all(not truck.trouble for truck in board.now().trucks.values())


def test_a_store_that_fails_is_tried_again(
    big: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("review.board.REST_S", 0.05)
    store = Counting(big)
    failing = threading.Event()
    failing.set()
    read = store.read

    @contextmanager
    def sometimes() -> Iterator[sqlite3.Connection]:
        if failing.is_set():
            raise sqlite3.OperationalError("disk I/O error")
        with read() as conn:
            yield conn

    monkeypatch.setattr(store, "read", sometimes)
    board = Board(store, big_reader(TRUCKS), groups={}, uptime_ms=monotonic_ms)
    board.start()
    try:
        assert not until(lambda: not board.now().reading, 0.3)
        failing.clear()
        assert until(lambda: not board.now().reading, 30.0)
    finally:
        assert board.stop()
