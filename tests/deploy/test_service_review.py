"""The daily look at service dates, from samples on the road to a notice in somebody's hand."""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from random import Random

import pytest

from alerts import outbox
from alerts.dispatcher import Dispatcher
from alerts.journal import acknowledge, alarms
from alerts.ledger import Alarm
from alerts.notice import Notice
from alerts.policy import Policy, Route
from deploy.assembly import composer, scheduled
from deploy.database import Database
from deploy.service_review import outlook
from deploy.settings import Settings
from ingest import record
from ingest.record import Entry
from models.course import run
from models.detectors.service_due import SERVICE_DUE
from models.fleet import Fleet, Limits, Vehicle
from models.transition import Priority
from review.events import transitions
from review.trucks import courses_of
from tests.deploy.store import pipeline, store
from tests.models.roads import DAY_MS, FIRST_MS, START_KM, days_out
from tests.recorded import HOUR_MS, Sample, message, records

TRUCK = "NF-01"
MOVED_DAYS = 14
ZONE = "EST5EDT"


def fleet_of(**limits: float) -> Fleet:
    truck = Vehicle(
        name=TRUCK,
        installed_ms=FIRST_MS,
        installed_odometer_km=START_KM,
        limits=Limits(**limits),
    )
    return Fleet(vehicles={TRUCK: truck})


class Desk:
    """A channel that keeps what it gets."""

    bundles = False

    def __init__(self) -> None:
        self.got: list[Notice] = []

    def deliver(self, notice: Notice) -> str:
        self.got.append(notice)
        return "kept"


class Works:
    """A store with the daemon's parts on it, in one thread, day by day; ``restart`` makes them anew."""

    def __init__(self, database: Database, fleet: Fleet) -> None:
        self.database = database
        self.fleet = fleet
        self.settings = Settings.model_validate({"fleet": {"time_zone": ZONE}})
        self.desk = Desk()
        self.now_ms = FIRST_MS
        self.km = START_KM
        self.restart()

    def restart(self) -> None:
        policy = Policy(routes=(Route(channel="desk"),))
        self.pipeline = pipeline(
            self.database,
            courses=courses_of(self.fleet, max_gap_s=300.0, silent_after_s=1e9),
            now_ms=self.now_ms,
            policy=policy,
        )
        self.pipeline._now_ms = lambda: self.now_ms
        self.schedule = scheduled(self.settings, self.database, self.pipeline, policy)
        self.dispatcher = Dispatcher(
            channels={"desk": self.desk},
            write=self.database.write,
            read=self.database.read,
            compose=composer(self.settings, self.fleet, self.database, policy),
            now_ms=lambda: self.now_ms,
            rng=Random(1),
        )
        self.dispatcher.recover()

    def day(
        self, number: int, samples: Sequence[Sample] = (), *, restarts: bool = False
    ) -> None:
        """Pass a day: samples as they come, and a look at the schedule every hour."""
        start_ms = FIRST_MS + number * DAY_MS
        for hour in range(24):
            if restarts and hour % 7 == 0:
                self.restart()
            self.now_ms = start_ms + hour * HOUR_MS
            last_ms = self.now_ms - HOUR_MS
            came = [one for one in samples if last_ms < one["time_ms"] <= self.now_ms]
            if came:
                self.pipeline.commit([message(TRUCK, came)])
            self.schedule.run_due(self.now_ms)
            self.dispatcher.once()

    def days(self, km: Sequence[float], *, first_day: int = 0, restarts: bool = False) -> None:
        for number, distance_km in enumerate(km, start=first_day):
            # As cold as the air after a night: else its sensor would be doubted.
            road = days_out(
                [distance_km],
                start_km=self.km,
                first_day=number,
                starts_c=20.0,
                celsius=70.0 + 0.1 * (number % 2),
            )
            self.day(number, list(road), restarts=restarts)
            self.km += distance_km

    def said(self) -> list[tuple[str, int]]:
        """Give what the desk got: the matter, and the day it was written."""
        return [
            (notice.items[0].matter.value, (notice.created_ms - FIRST_MS) // DAY_MS)
            for notice in self.desk.got
        ]

    def alarm(self) -> Alarm:
        with self.database.read() as conn:
            (alarm,) = alarms(conn, kind=SERVICE_DUE.kind)
        return alarm


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    with store(tmp_path) as opened:
        yield opened


@pytest.mark.parametrize("restarts", [False, True])
def test_a_truck_that_drives_less_gets_a_new_date_and_each_level_once(
    database: Database, restarts: bool
) -> None:
    works = Works(database, fleet_of(service_distance_km=6_000.0, service_days=1e5))
    works.days([100.0] * 49, restarts=restarts)
    assert works.said() == [("active", 47)]
    works.days([5.0] * 28, first_day=49, restarts=restarts)
    works.days([100.0] * 12, first_day=77, restarts=restarts)
    matters = [matter for matter, _ in works.said()]
    assert matters.count("active") == 1
    assert matters.count("rise") == 2
    assert matters.count("date_moved") >= 2
    assert set(matters) == {"active", "rise", "date_moved"}
    dates = [notice.items[0].evidence["due_median_ms"] for notice in works.desk.got]
    for before, after in pairwise(works.desk.got):
        if after.items[0].matter == "date_moved":
            told_ms, due_ms = (
                each.items[0].evidence["due_median_ms"] for each in (before, after)
            )
            assert not abs(due_ms - told_ms) <= MOVED_DAYS * DAY_MS
            assert after.items[0].evidence["told_due_ms"] == told_ms
    assert len({notice.id for notice in works.desk.got}) == len(works.desk.got)
    first, *later = works.desk.got
    assert first.thread == ()
    assert {notice.thread[:1] for notice in later} == {(first.id,)}
    assert dates[-1] <= works.now_ms  # due, and since when


def test_the_notices_are_the_same_with_and_without_restarts(tmp_path: Path) -> None:
    got = []
    for name, restarts in (("a.db", False), ("b.db", True)):
        with store(tmp_path, name) as opened:
            works = Works(opened, fleet_of(service_distance_km=6_000.0, service_days=1e5))
            works.days([100.0] * 49 + [5.0] * 20, restarts=restarts)
            got.append([(one.id, one.subject, one.body) for one in works.desk.got])
    assert got[0] == got[1]
    assert len(got[0]) > 1


def test_a_new_date_is_told_in_words_at_six_in_the_fleets_zone(database: Database) -> None:
    works = Works(database, fleet_of(service_distance_km=6_000.0, service_days=1e5))
    works.days([100.0] * 49 + [5.0] * 14)
    moved = next(one for one in works.desk.got if one.items[0].matter == "date_moved")
    assert (moved.created_ms - FIRST_MS) % DAY_MS == 11 * HOUR_MS  # 06:00 EST
    assert moved.subject.startswith(f"NEW DATE LOW {TRUCK}: Service due about ")
    assert "by distance. That is " in moved.body
    assert "days later." in moved.body


def test_an_interval_that_ends_while_the_truck_stands_is_told_and_confirmed_in_silence(
    database: Database,
) -> None:
    works = Works(database, fleet_of(service_distance_km=1e6, service_days=100.0))
    works.days([50.0] * 60)
    assert works.said() == []
    works.days([0.0] * 43, first_day=60)
    # The interval began at 00:00 UTC; the looks are at 06:00 in the fleet's zone.
    assert works.said() == [("active", 80), ("rise", 95), ("rise", 100)]
    alarm = works.alarm()
    assert (alarm.provisional, alarm.priority) == (True, Priority.HIGH)
    assert "No data from this truck since 1 March 2026." in works.desk.got[0].body
    works.days([50.0] * 5, first_day=103)
    confirmed = works.alarm()
    assert (confirmed.id, confirmed.provisional, confirmed.active) == (alarm.id, False, True)
    assert len(works.said()) == 3
    _service(works, day=108)
    works.day(108)
    works.days([50.0] * 3, first_day=109)
    assert works.said()[3:] == [("normal", 108)]
    assert not works.alarm().active


def _service(works: Works, day: int) -> None:
    done = Entry(
        vehicle=TRUCK,
        kind="exchange",
        time_ms=FIRST_MS + day * DAY_MS,
        who="technician",
        entered_ms=FIRST_MS + day * DAY_MS,
        numbers={"volume_l": 11.5},
    )
    with works.database.write() as tx:
        record.add(tx, done)
    works.now_ms = FIRST_MS + day * DAY_MS
    works.pipeline.commit_record()


def test_a_service_ends_what_the_clock_raised(database: Database) -> None:
    works = Works(database, fleet_of(service_distance_km=1e6, service_days=100.0))
    works.days([50.0] * 60 + [0.0] * 25)
    assert works.said() == [("active", 80)]
    _service(works, day=85)
    works.day(85)
    works.days([0.0] * 30, first_day=86)
    assert works.said() == [("active", 80), ("normal", 85)]


def test_a_crash_in_the_middle_of_a_look_tells_nobody_twice(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    works = Works(database, fleet_of(service_distance_km=1e6, service_days=100.0))
    works.days([50.0] * 60 + [0.0] * 20)
    real, posted = outbox.post, []

    def post_and_fall(tx: sqlite3.Connection, *args: object, **kwargs: object) -> int:
        posted.append(real(tx, *args, **kwargs))  # type: ignore[arg-type] # passed on
        raise ConnectionAbortedError("the process dies here")

    monkeypatch.setattr(outbox, "post", post_and_fall)
    works.day(80)
    assert posted == [1]
    with database.read() as conn:
        assert outbox.entries(conn) == []
        assert alarms(conn) == []
    monkeypatch.setattr(outbox, "post", real)
    works.restart()
    works.day(81)
    works.day(82)
    assert works.said() == [("active", 81)]


@pytest.mark.parametrize("jump_ms", [-HOUR_MS, HOUR_MS, -365 * DAY_MS])
def test_a_clock_that_jumps_tells_nobody_twice(database: Database, jump_ms: int) -> None:
    works = Works(database, fleet_of(service_distance_km=6_000.0, service_days=1e5))
    works.days([100.0] * 49 + [5.0] * 14)
    before = works.said()
    assert [matter for matter, _ in before] == ["active", "date_moved"]
    for minutes in range(0, 5 * 24 * 60, 30):
        works.now_ms = FIRST_MS + 63 * DAY_MS + jump_ms + minutes * 60_000
        works.schedule.run_due(works.now_ms)
        works.dispatcher.once()
    assert works.said()[:2] == before
    ids = [notice.id for notice in works.desk.got]
    assert len(set(ids)) == len(ids)
    dates = [notice.items[0].evidence["due_median_ms"] for notice in works.desk.got]
    assert all(abs(b - a) > MOVED_DAYS * DAY_MS for a, b in pairwise(dates))


def test_the_outlook_is_what_the_next_sample_would_say(database: Database) -> None:
    fleet = fleet_of(service_distance_km=6_000.0, service_days=70.0)
    works = Works(database, fleet)
    works.days([100.0] * 47)
    truck = works.pipeline.trucks[TRUCK]
    before = truck.state.tobytes()
    for day, priority in ((48, 0), (57, 1), (67, 2), (70.5, 3)):
        now_ms = FIRST_MS + round(day * DAY_MS)
        seen = outlook(truck, now_ms)
        assert seen.priority == priority
        assert seen.newest_ms == truck.last_ms
        after = truck.state.copy()
        sample = records([{"time_ms": float(now_ms), "odometer_km": START_KM + 4_700.0}])
        found = transitions(TRUCK, run(truck.course, after, sample))
        said = [one for one in found if one.kind == SERVICE_DUE.kind]
        assert [int(one.priority) for one in said] == [priority] * bool(priority)
        for one in said:
            for name in ("share_by_age", "due_by", "due_median_ms", "due_late_ms"):
                assert seen.evidence[name] == pytest.approx(one.evidence[name], rel=1e-9), name
    assert truck.state.tobytes() == before


def test_a_truck_without_samples_is_left_out_and_before_its_newest_nothing_is_older(
    database: Database,
) -> None:
    works = Works(database, fleet_of(service_distance_km=6_000.0))
    works.days([100.0] * 2)
    truck = works.pipeline.trucks[TRUCK]
    seen, early = outlook(truck, truck.last_ms), outlook(truck, FIRST_MS - 900 * DAY_MS)
    assert early.evidence == pytest.approx(seen.evidence, nan_ok=True)
    assert not math.isnan(seen.evidence["due_median_ms"])


def test_people_who_acknowledged_get_the_new_date(database: Database) -> None:
    works = Works(database, fleet_of(service_distance_km=6_000.0, service_days=1e5))
    works.days([100.0] * 49)
    with database.write() as tx:
        acknowledge(tx, works.alarm().id, by="A. Foreman", now_ms=works.now_ms)
    works.days([5.0] * 14, first_day=49)
    assert [matter for matter, _ in works.said()] == ["active", "date_moved"]
    assert works.alarm().state == "acknowledged"


def test_the_schedule_is_in_the_fleets_zone_and_at_the_time_of_the_settings(
    database: Database,
) -> None:
    settings = Settings.model_validate(
        {"fleet": {"time_zone": ZONE}, "service": {"review_at": "21:45"}}
    )
    running = pipeline(database)
    schedule = scheduled(settings, database, running, Policy())
    assert schedule.run_due(FIRST_MS) == []
    # Five hours behind UTC in January.
    quarter_to_ten_ms = FIRST_MS + 2 * HOUR_MS + 45 * 60_000
    assert schedule.run_due(quarter_to_ten_ms - 1) == []
    assert schedule.run_due(quarter_to_ten_ms) == ["service dates"]
