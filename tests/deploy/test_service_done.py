"""The service alarm of a truck that was serviced and has not driven since: over, told once."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from alerts.ledger import Alarm, alarms
from alerts.policy import Policy, Route
from deploy.database import Database
from deploy.pipeline import Pipeline
from tests.deploy.store import pipeline, store
from tests.deploy.test_pipeline_record import DAY, TRUCK, enter, entry
from tests.recorded import HOUR_MS, NOON_MS, message

POLICY = Policy(routes=(Route(channel="desk"),), late_after_ms=10**15)
SERVICED_MINUTE = 120


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    with store(tmp_path) as opened:
        yield opened


def overdue(database: Database) -> Pipeline:
    """Start a pipeline with a truck whose fluid is due from its first sample to its last, at minute 99."""
    running = pipeline(database, now_ms=NOON_MS + 12 * HOUR_MS, policy=POLICY)
    enter(database, entry("install", -10, numbers={"life_used": 1.2}))
    running.commit_record()
    running.commit([message(TRUCK, DAY[:100])])
    return running


def service(database: Database, running: Pipeline) -> int:
    (done,) = enter(database, entry("exchange", SERVICED_MINUTE, numbers={}))
    running.commit_record()
    assert done.id is not None
    return done.id


def strike(database: Database, running: Pipeline, entry_id: int) -> None:
    enter(database, entry("struck", SERVICED_MINUTE, supersedes=entry_id, numbers={}))
    running.commit_record()


def service_alarm(database: Database) -> Alarm:
    with database.read() as conn:
        (alarm,) = [one for one in alarms(conn) if one.kind == "service_due"]
    return alarm


def told(database: Database) -> list[Any]:
    """List what was told of the service, in order."""
    with database.read() as conn:
        rows = conn.execute(
            "SELECT matter FROM outbox WHERE alarm_id = ? ORDER BY seq",
            (service_alarm(database).id,),
        )
        return [matter for (matter,) in rows.fetchall()]


def test_a_service_that_is_struck_out_was_none_and_the_alarm_stands_again(
    database: Database,
) -> None:
    running = overdue(database)
    strike(database, running, service(database, running))
    assert service_alarm(database).active
    assert told(database) == ["active", "normal", "active"]
    running.commit([message(TRUCK, DAY[100:150])])
    assert service_alarm(database).active
    assert told(database) == ["active", "normal", "active"]


def test_a_strike_when_the_truck_has_driven_on_comes_to_the_same(database: Database) -> None:
    running = overdue(database)
    done = service(database, running)
    running.commit([message(TRUCK, DAY[150:200])])
    strike(database, running, done)
    assert service_alarm(database).active
    assert told(database) == ["active", "normal", "active"]


@pytest.mark.parametrize("minute", [-5, 50.5])
def test_a_back_dated_entry_does_not_raise_the_alarm_of_a_serviced_truck_again(
    database: Database, minute: float
) -> None:
    running = overdue(database)
    service(database, running)
    enter(database, entry("top_up", minute))
    running.commit_record()
    assert not service_alarm(database).active
    assert told(database) == ["active", "normal"]


def test_samples_from_before_the_service_do_not_raise_its_alarm_again(
    database: Database,
) -> None:
    running = overdue(database)
    service(database, running)
    earlier = {**DAY[0], "time_ms": DAY[0]["time_ms"] - 5000.0}
    running.commit([message(TRUCK, [earlier])])
    assert not service_alarm(database).active
    assert told(database) == ["active", "normal"]
    running.commit([message(TRUCK, DAY[150:200])])
    assert not service_alarm(database).active
    assert told(database) == ["active", "normal"]


def test_of_a_service_that_was_done_before_its_samples_came_nobody_need_be_told(
    database: Database,
) -> None:
    running = pipeline(database, now_ms=NOON_MS + 12 * HOUR_MS, policy=POLICY)
    running.commit([message(TRUCK, [{**DAY[0], "time_ms": NOON_MS - 15.0 * HOUR_MS}])])
    enter(database, entry("install", -10, numbers={"life_used": 1.2}))
    service(database, running)
    running.commit([message(TRUCK, DAY[:100])])
    assert not service_alarm(database).active
    assert told(database) == []
