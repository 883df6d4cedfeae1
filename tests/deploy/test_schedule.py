"""The schedule: each reading of the wall clock once, whatever clock, process and store do."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

import pytest
from apscheduler.triggers.cron import CronTrigger
from hypothesis import given
from hypothesis import strategies as st
from structlog.testing import capture_logs

from deploy.database import Database
from deploy.schedule import REST_MS, Schedule, next_after, wall_clock
from tests.deploy.store import store

HOUR_MS = 3_600_000
DAY_MS = 24 * HOUR_MS
YEAR_MS = 365 * DAY_MS
CHANGING = ("CET", "EST5EDT")
"""Zones that change their clocks in spring and autumn."""


def at(text: str, zone: str = "UTC", fold: int = 0) -> int:
    local = datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone), fold=fold)
    return round(local.timestamp() * 1000)


class Office:
    """A schedule with one job on a store, a clock on the wall and one that never jumps."""

    def __init__(self, database: Database, zone: str = "UTC", **fields: int | str) -> None:
        self.database = database
        self.zone = ZoneInfo(zone)
        self.trigger = wall_clock(**(fields or {"hour": 6}))
        self.uptime_ms = 0
        self.ran: list[int] = []
        self.fails = False
        self.restart()

    def restart(self) -> None:
        self.schedule = Schedule(self.database, self.zone, uptime_ms=lambda: self.uptime_ms)
        self.schedule.add("look", self.trigger, self.work)

    def work(self, tx: sqlite3.Connection, now_ms: int) -> None:
        tx.execute("INSERT INTO done VALUES (?)", (now_ms,))
        if self.fails:
            raise LookupError("a fault of ours")
        self.ran.append(now_ms)

    def look(self, now_ms: int) -> bool:
        before = len(self.ran)
        names = self.schedule.run_due(now_ms)
        assert names == ["look"] * (len(self.ran) - before)
        with self.database.read() as conn:
            kept = [row[0] for row in conn.execute("SELECT now_ms FROM done ORDER BY rowid")]
        assert kept == self.ran
        return bool(names)


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    with store(tmp_path) as opened:
        with opened.write() as tx:
            tx.execute("CREATE TABLE done (now_ms INTEGER NOT NULL)")
        yield opened


@pytest.mark.parametrize("zone", CHANGING)
@pytest.mark.parametrize("reading", ["00:00", "00:30", "01:30", "02:30", "03:00", "06:00"])
@pytest.mark.parametrize("restarts", [False, True])
def test_a_daily_job_runs_once_each_day_of_a_year_with_both_changes(
    database: Database, zone: str, reading: str, restarts: bool
) -> None:
    hour, minute = map(int, reading.split(":"))
    office = Office(database, zone, hour=hour, minute=minute)
    for start in ("2026-03-05T12:00", "2026-03-25T12:00", "2026-10-24T12:00"):
        now_ms = at(start, zone)
        office.ran.clear()
        with database.write() as tx:
            tx.execute("DELETE FROM done")
            tx.execute("DELETE FROM job_run")
        office.restart()
        for _ in range(12 * 48):
            if restarts:
                office.restart()
            office.look(now_ms)
            now_ms += HOUR_MS // 2
        days = [datetime.fromtimestamp(ms / 1000, ZoneInfo(zone)).date() for ms in office.ran]
        assert days == [days[0] + timedelta(days=n) for n in range(12)]


def test_the_trigger_in_a_zone_of_its_own_would_leave_out_a_day() -> None:
    trigger = CronTrigger(hour=0, minute=30, timezone=ZoneInfo("CET"))
    before = datetime(2026, 3, 29, 0, 30, 1, tzinfo=ZoneInfo("CET"))
    found = trigger.get_next_fire_time(None, before)
    assert found is not None
    assert found.day == 31  # seen in APScheduler 3.11.3; the day between has its 00:30 too
    assert next_after(
        wall_clock(hour=0, minute=30), ZoneInfo("CET"), at("2026-03-29T00:30:01", "CET")
    ) == at("2026-03-30T00:30", "CET")


@pytest.mark.parametrize(
    ("last", "found"),
    [
        ("2026-03-28T12:00", "2026-03-29T03:30"),  # 02:30 is left out
        ("2026-03-29T03:30", "2026-03-30T02:30"),
        ("2026-10-24T12:00", "2026-10-25T02:30"),  # the first of two
        ("2026-10-25T02:30", "2026-10-26T02:30"),
        ("2026-10-25T02:59", "2026-10-26T02:30"),
    ],
)
def test_what_half_past_two_means_when_clocks_change(last: str, found: str) -> None:
    trigger = wall_clock(hour=2, minute=30)
    assert next_after(trigger, ZoneInfo("CET"), at(last, "CET")) == at(found, "CET")
    second = at("2026-10-25T02:10", "CET", fold=1)
    assert next_after(trigger, ZoneInfo("CET"), second) == at("2026-10-26T02:30", "CET")


@given(
    zone=st.sampled_from(sorted(available_timezones())),
    minute=st.integers(0, 24 * 60 - 1),
    day=st.integers(0, 36 * 365),
)
def test_in_any_zone_a_daily_job_is_due_about_a_day_after_the_last(
    zone: str, minute: int, day: int
) -> None:
    trigger = wall_clock(hour=minute // 60, minute=minute % 60)
    moments = [at("2000-01-01T00:00") + day * DAY_MS]
    for _ in range(8):
        moment = next_after(trigger, ZoneInfo(zone), moments[-1])
        assert moment is not None
        moments.append(moment)
    spans = [(b - a) / HOUR_MS for a, b in pairwise(moments[1:])]
    # No zone has changed its clock by more than three hours since 2000, dates left out aside.
    assert all(21.0 <= span <= 27.0 for span in spans)


def test_a_job_is_first_due_after_it_was_first_heard_of(database: Database) -> None:
    office = Office(database)
    assert not office.look(at("2026-06-01T06:00:05"))
    assert not office.look(at("2026-06-02T05:59:59"))
    assert office.look(at("2026-06-02T06:00:00"))
    assert not office.look(at("2026-06-02T06:00:05"))


def test_a_restart_neither_loses_nor_repeats_a_run(database: Database) -> None:
    office = Office(database)
    office.look(at("2026-06-01T12:00"))
    office.restart()
    assert office.look(at("2026-06-02T06:00:01"))
    office.restart()
    assert not office.look(at("2026-06-02T06:00:02"))
    office.restart()
    assert office.look(at("2026-06-03T06:00:00"))


def test_of_the_runs_that_were_missed_one_is_made_up_for(database: Database) -> None:
    office = Office(database)
    office.look(at("2026-06-01T12:00"))
    office.restart()
    assert office.look(at("2026-06-09T23:00"))
    assert not office.look(at("2026-06-09T23:01"))
    assert office.look(at("2026-06-10T06:00"))


@pytest.mark.parametrize("restarts", [False, True])
@pytest.mark.parametrize(
    ("jump_ms", "days"),
    [
        (HOUR_MS, ["2026-06-03", "2026-06-04", "2026-06-05"]),
        (-HOUR_MS, ["2026-06-03", "2026-06-04"]),
        (YEAR_MS, ["2027-06-02", "2027-06-03", "2027-06-04", "2027-06-05"]),
        (-YEAR_MS, ["2025-06-03", "2025-06-04", "2025-06-05"]),
    ],
)
def test_a_clock_that_jumps_neither_repeats_a_run_nor_stops_the_job(
    database: Database, jump_ms: int, days: list[str], restarts: bool
) -> None:
    office = Office(database)
    office.look(at("2026-06-01T12:00"))
    assert office.look(at("2026-06-02T06:10"))
    now_ms = at("2026-06-02T06:40") + jump_ms
    if restarts:
        office.restart()
    for minute in range(0, 3 * 24 * 60, 5):
        office.look(now_ms + minute * 60_000)
    ran = [datetime.fromtimestamp(ms / 1000, UTC).date().isoformat() for ms in office.ran[1:]]
    assert ran == days


def test_a_clock_that_was_a_year_ahead_and_is_set_right_goes_on(database: Database) -> None:
    office = Office(database)
    office.look(at("2026-06-01T12:00"))
    assert office.look(at("2027-06-01T12:00"))
    with capture_logs() as logs:
        assert not office.look(at("2026-06-01T12:01"))
    assert [one["event"] for one in logs] == ["clock.set_back"]
    assert not office.look(at("2026-06-02T05:59"))
    assert office.look(at("2026-06-02T06:00"))


def test_a_weekly_job_is_not_repeated_by_a_clock_three_days_back(database: Database) -> None:
    office = Office(database, hour=6, day_of_week="mon")
    office.look(at("2026-06-03T12:00"))
    assert office.look(at("2026-06-08T06:00"))
    assert not office.look(at("2026-06-05T06:00"))
    assert not office.look(at("2026-06-08T06:00"))
    assert office.look(at("2026-06-15T06:00"))


def test_a_job_that_fails_has_done_nothing_and_is_tried_again_after_a_rest(
    database: Database,
) -> None:
    office = Office(database)
    others: list[int] = []
    office.schedule.add("other", wall_clock(hour=6), lambda _tx, now_ms: others.append(now_ms))
    office.schedule.run_due(at("2026-06-01T12:00"))
    office.fails = True
    due_ms = at("2026-06-02T06:00")
    with capture_logs() as logs:
        assert office.schedule.run_due(due_ms) == ["other"]
    assert [(one["event"], one["job"]) for one in logs] == [
        ("job.failed", "look"),
        ("job.done", "other"),
    ]
    office.fails = False
    office.uptime_ms += REST_MS - 1
    assert not office.look(due_ms + 1)
    office.uptime_ms += 1
    assert office.look(due_ms + 2)
    assert others == [due_ms]


def test_after_a_crash_in_the_middle_the_run_is_still_due(database: Database) -> None:
    office = Office(database)
    office.look(at("2026-06-01T12:00"))
    office.fails = True
    office.look(at("2026-06-02T06:00"))
    office.fails = False
    office.restart()
    assert office.look(at("2026-06-02T06:00:05"))
    office.restart()
    assert not office.look(at("2026-06-02T06:00:10"))


def test_a_store_that_cannot_be_written_is_for_the_caller_to_wait_for(
    database: Database,
) -> None:
    office = Office(database)
    office.look(at("2026-06-01T12:00"))
    with database.write() as tx:
        tx.execute("CREATE TRIGGER full BEFORE INSERT ON done BEGIN SELECT no_such(); END")
    with pytest.raises(sqlite3.OperationalError):
        office.look(at("2026-06-02T06:00"))
    with database.write() as tx:
        tx.execute("DROP TRIGGER full")
    office.ran.clear()
    assert office.look(at("2026-06-02T06:00:05"))


def test_a_trigger_that_is_over_is_never_due_again(database: Database) -> None:
    office = Office(database, year=2026, month=6, day=2)
    office.look(at("2026-06-01T12:00"))
    assert office.look(at("2026-06-02T00:00"))
    assert not office.look(at("2027-06-02T00:00"))


def test_what_cannot_work_is_refused(database: Database) -> None:
    schedule = Office(database).schedule
    with pytest.raises(ValueError, match="already"):
        schedule.add("look", wall_clock(hour=6), lambda _tx, _now_ms: None)
    with pytest.raises(ValueError, match="wall_clock"):
        schedule.add("zoned", CronTrigger(hour=6, timezone=ZoneInfo("CET")), print)


@pytest.mark.parametrize("zone", ["CET", "EET", "WET", "EST5EDT", "PST8PDT"])
@pytest.mark.parametrize("reading", ["00:00", "01:30", "02:30", "06:00"])
def test_day_and_week_come_once_each_in_a_year_of_changing_clocks(
    zone: str, reading: str
) -> None:
    hour, minute = map(int, reading.split(":"))
    own = ZoneInfo(zone)
    for fields, step in (({}, 1), ({"day_of_week": "sun"}, 7)):  # clocks change on Sundays
        trigger = wall_clock(hour=hour, minute=minute, **fields)
        now_ms = at("2020-01-01T12:00", zone)
        days = []
        for _ in range(400 // step):
            found = next_after(trigger, own, now_ms)
            assert found is not None
            now_ms = found
            days.append(datetime.fromtimestamp(now_ms / 1000, own).date())
        assert days == [days[0] + timedelta(days=step * n) for n in range(len(days))]
