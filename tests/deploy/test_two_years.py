"""The demo's past is what the same samples, services and answers would have come to in their own time."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from alerts import ledger
from alerts.alarm import State
from alerts.journal import history
from alerts.ledger import Alarm
from deploy.database import Database
from deploy.past_cache import copy_of_past
from deploy.pipeline import Pipeline
from deploy.two_years import POLICY, samples_of, take_in
from ingest import journal, record
from ingest.message import Message
from models.sample import SIGNAL_NAMES
from review.model_version import model_version
from simulator.years.moments import DAY_MS, END_MS, FAILED, at
from simulator.years.stories import STORIES
from simulator.years.story import SERVICES
from tests.deploy.store import kept, rules, story
from tests.review.two_years import past, two_years_store, years_courses, years_fleet

pytestmark = pytest.mark.timeout(600)

SINCE_MS = at(date(2026, 3, 25), 0.0)
TWO = ("NF-06", "NF-08")
BAD_DAYS = {
    "NF-02": {"sensor_fault"},
    "NF-05": {"over_temperature"},
    "NF-07": {"cooler_starved", "service_due"},
    "NF-08": {"bypass_stuck", "gateway_silent", "lockup_slip", "over_temperature"},
}
"""What the story has of each truck; whatever else is raised is a false alarm."""


@pytest.fixture(scope="module")
def years(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Database]:
    database = two_years_store(tmp_path_factory.mktemp("years"))
    yield database
    database.close()


@pytest.fixture(scope="module")
def alarms(years: Database) -> list[Alarm]:
    with years.read() as conn:
        return ledger.alarms(conn)


AS = {"lockup": bool, "trailer": bool, "gear": int}
"""How the message contract writes what is no plain number."""


def messages(vehicle: str, samples: NDArray[Any]) -> list[Message]:
    return [
        Message(
            topic=f"fleet/{vehicle}/telemetry",
            payload=json.dumps(
                {
                    "time": int(each["time_ms"]) / 1000.0,
                    **{
                        name: AS.get(name, float)(each[name])
                        for name in SIGNAL_NAMES
                        if not np.isnan(each[name])
                    },
                }
            ).encode(),
        )
        for each in samples
    ]


def by_messages(folder: Path) -> Database:
    """Take the same weeks in message by message."""
    database = Database(folder / "heatbook.db", synchronous="off")
    pipeline = Pipeline(
        database,
        registered=frozenset(years_fleet().vehicles),
        courses=years_courses(),
        rules=rules(policy=POLICY, model_version=model_version()),
        now_ms=lambda: END_MS,
    )
    for vehicle in TWO:
        sent = messages(vehicle, samples_of(vehicle, since_ms=SINCE_MS))
        for start in range(0, len(sent), 200):
            pipeline.commit(sent[start : start + 200])
    pipeline.flush()
    return database


def test_taken_in_at_once_it_is_to_the_bit_what_the_messages_come_to(tmp_path: Path) -> None:
    for name in ("bulk", "messages"):
        (tmp_path / name).mkdir()
    with (
        closing(Database(tmp_path / "bulk" / "heatbook.db", synchronous="off")) as bulk,
        closing(by_messages(tmp_path / "messages")) as one_by_one,
    ):
        take_in(bulk, past(SINCE_MS, TWO))
        alike(bulk, one_by_one)


def alike(bulk: Database, one_by_one: Database) -> None:
    of_bulk = kept(bulk, years_courses(), model_version=model_version())
    assert set(of_bulk[0]) == set(TWO)
    assert of_bulk == kept(one_by_one, years_courses(), model_version=model_version())
    for vehicle in TWO:
        assert samples_in(bulk, vehicle).tobytes() == samples_in(one_by_one, vehicle).tobytes()
    with bulk.read() as conn:
        assert conn.execute("SELECT count(*) FROM sealed").fetchone()[0] == 4  # March and April


def samples_in(database: Database, vehicle: str) -> NDArray[Any]:
    with database.read() as conn:
        (number,) = conn.execute("SELECT id FROM vehicle WHERE name = ?", (vehicle,)).fetchone()
        return journal.read(conn, vehicle_id=number, first_ms=0, last_ms=END_MS)


def test_every_sample_is_there_and_the_store_stays_small(years: Database) -> None:
    for vehicle in ("NF-06", "NF-09"):
        assert samples_in(years, vehicle).tobytes() == samples_of(vehicle).tobytes()
    assert years.path.stat().st_size < 12_000_000


def test_healthy_trucks_are_left_in_peace(alarms: list[Alarm]) -> None:
    false = [
        (each.vehicle, each.kind)
        for each in alarms
        if each.kind not in BAD_DAYS.get(each.vehicle, set())
    ]
    # Three frosts in which a truck that runs very cold makes its air sensor look wrong.
    assert false == [("NF-10", "sensor_fault")] * 3


def test_each_story_is_found(alarms: list[Alarm]) -> None:
    found = {(each.vehicle, each.kind) for each in alarms}
    assert found >= {(vehicle, kind) for vehicle, kinds in BAD_DAYS.items() for kind in kinds}


def test_the_gearbox_did_not_fail_unannounced(alarms: list[Alarm]) -> None:
    own = [each for each in alarms if each.vehicle == "NF-08"]
    first = min(own, key=lambda each: each.raised_ms)
    assert first.kind == "bypass_stuck"
    assert at(FAILED, 5.0) - first.raised_ms > 60 * DAY_MS
    assert not [each for each in own if each.raised_ms > at(date(2026, 3, 21))]


def test_alarms_are_dated_when_they_came_and_seen_by_somebody(alarms: list[Alarm]) -> None:
    assert all(each.first_seen_ms == each.raised_ms for each in alarms)
    waiting = [each for each in alarms if each.state is not State.NORMAL]
    # What stands is the service that the demo day is about.
    assert [(each.vehicle, each.kind, each.state) for each in waiting] == [
        ("NF-07", "service_due", State.ACKNOWLEDGED)
    ]
    seen = {each.acknowledged_by for each in alarms} - {None}
    assert seen == {"Ines", "Omar", "Kim"}


def test_nobody_was_told_of_anything(years: Database) -> None:
    with years.read() as conn:
        assert conn.execute("SELECT count(*) FROM outbox").fetchone() == (0,)


def test_the_record_tells_what_was_done(years: Database) -> None:
    with years.read() as conn:
        told = [each for name in STORIES for each in record.history(conn, name)]
        gearbox = [each for each in record.effective(conn, "NF-08") if each.kind == "gearbox"]
        assert record.pending(conn) == []
    assert len(told) == len(SERVICES)
    assert [each.numbers["odometer_km"] for each in gearbox] == [33_900.0]
    assert all("odometer_km" in each.numbers for each in told)
    assert sum(each.supersedes is not None for each in told) == 1


def test_it_is_kept_in_the_archive_and_in_the_journal_alike(years: Database) -> None:
    with years.read() as conn:
        (old,) = conn.execute("SELECT sum(samples) FROM sealed").fetchone()
        (new,) = conn.execute("SELECT sum(samples) FROM journal").fetchone()
        found = story(history(conn))
    assert old + new == sum(len(samples_in(years, vehicle)) for vehicle in STORIES)
    assert found


def test_a_past_is_made_once(tmp_path: Path) -> None:
    made: list[Path] = []

    def make(folder: Path) -> None:
        made.append(folder)
        (folder / "heatbook.db").write_bytes(b"store")
        (folder / "archive").mkdir()
        (folder / "archive" / "month").write_bytes(b"samples")

    caches = tmp_path / "caches"
    old = caches / "past-0123456789abcdef"
    old.mkdir(parents=True)
    killed, at_work = caches / f"{old.name}-1", caches / f"{old.name}-2"
    for each in (killed, at_work):
        each.mkdir()
    os.utime(killed, (0, 0))
    for name, found in (("first", False), ("second", True)):
        (tmp_path / name).mkdir()
        assert copy_of_past(tmp_path / name, make, caches=caches) is found
        assert (tmp_path / name / "archive" / "month").read_bytes() == b"samples"
        assert (tmp_path / name / "heatbook.db").read_bytes() == b"store"
    assert len(made) == 1
    assert not old.exists()
    assert not killed.exists()
    assert at_work.exists()


def test_where_nothing_can_be_kept_a_past_is_made_in_its_place(tmp_path: Path) -> None:
    (tmp_path / "caches").write_text("a file where a folder should be")
    folder = tmp_path / "demo"
    folder.mkdir()

    def make(where: Path) -> None:
        (where / "heatbook.db").write_bytes(b"store")

    assert not copy_of_past(folder, make, caches=tmp_path / "caches")
    assert (folder / "heatbook.db").exists()
