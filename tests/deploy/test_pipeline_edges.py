"""What a pipeline does with messages that are kept, put in by hand, or of no truck it knows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from alerts import ledger, outbox
from alerts.channels import LogSettings, routes
from alerts.policy import Policy
from deploy import aside
from ingest import inbox, quarantine
from ingest.fold import fold
from ingest.message import Message
from models.fleet import Fleet, Limits, Vehicle
from review.trucks import courses_of
from tests.deploy.store import FLEET, NOW_MS, pipeline, store
from tests.recorded import climb, message

DAY = climb(200, slope_k_min=0.6)
STATUS = Message(
    topic="fleet/NF-01/status", payload=b'{"online":false,"time":"2026-01-01T12:00:00Z"}'
)


def test_only_fresh_samples_show_that_a_gateway_sends(tmp_path: Path) -> None:
    """A last will, or a message the broker has kept, must not end a silence."""
    with store(tmp_path) as database:
        earlier = pipeline(database, now_ms=NOW_MS - 3_600_000)
        earlier.commit([message("NF-01", DAY[:10])])
        running = pipeline(database)
        for kept in (STATUS, replace(message("NF-01", DAY[:1]), retain=True)):
            running.commit([kept])
            assert running.trucks["NF-01"].heard_ms == NOW_MS - 3_600_000
        assert running.trucks["NF-01"].online is False
        running.commit([message("NF-01", DAY[10:11])])
        assert running.trucks["NF-01"].heard_ms == NOW_MS


def test_a_message_put_in_by_hand_that_we_fail_on_goes_back_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    good, bad = message("NF-01", DAY[:3]), message("NF-02", DAY[:3])
    right = fold

    def failing(tx: Any, truck: Any, *rest: Any, **more: Any) -> Any:
        if truck.name == "NF-02":
            raise ValueError("the models fail on this")
        return right(tx, truck, *rest, **more)

    monkeypatch.setattr("deploy.postponing.fold", failing)
    with store(tmp_path) as database:
        running = pipeline(database)
        with database.write() as tx:
            for one in (bad, good):
                inbox.put(tx, topic=one.topic, payload=one.payload)
        assert running.commit_inbox() == []
        (position,) = running.commit_inbox()
        assert position.vehicle == "NF-01"
        with database.read() as conn:
            assert not inbox.waiting(conn)
            (entry,) = quarantine.listing(conn)
        assert (entry.reason, entry.topic) == ("not_processed", bad.topic)
        assert entry.vehicle == "NF-02"


def test_a_truck_that_floods_the_quarantine_pushes_out_its_own_alone(tmp_path: Path) -> None:
    few = [b'{"time":1767268800,"gear":99}', b"no json", b"[]"]
    with store(tmp_path) as database:
        running = pipeline(database, quarantine_rows=50)
        running.commit([Message(topic="fleet/NF-01/telemetry", payload=each) for each in few])
        for start in range(0, 300, 100):
            running.commit(
                [
                    Message(topic="fleet/NF-02/telemetry", payload=b"nonsense %d" % number)
                    for number in range(start, start + 100)
                ]
            )
        with database.read() as conn:
            quiet = quarantine.listing(conn, vehicle="NF-01")
            total = quarantine.totals(conn)
            newest = quarantine.listing(conn, limit=1)
    assert sorted(each.raw for each in quiet) == sorted(few)
    assert (total.entries, total.refused, total.dropped) == (50, 303, 253)
    assert newest[0].raw == b"nonsense 299"


def test_names_of_unknown_fields_are_counted_within_a_bound(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(aside, "MOST_NAMES", 3)
    with store(tmp_path) as database:
        running = pipeline(database)
        for number in range(6):
            body = b'{"time":1767268800,"gear":1,"field_%d":1}' % number
            running.commit([Message(topic="fleet/NF-01/telemetry", payload=body)])
        with database.read() as conn:
            rows = dict(conn.execute("SELECT name, times FROM unknown_field").fetchall())
    assert rows == {"field_0": 1, "field_1": 1, "field_2": 1, aside.OTHER: 3}


def test_a_changed_limit_takes_back_nothing_that_people_were_told(tmp_path: Path) -> None:
    policy = Policy(routes=routes({"log": LogSettings()}), late_after_ms=2**60)
    cool = Limits(over_temperature_c=200.0, over_temperature_critical_c=200.0)
    changed = Fleet(vehicles={**FLEET.vehicles, "NF-01": Vehicle(name="NF-01", limits=cool)})
    with store(tmp_path) as database:
        running = pipeline(database, policy=policy)
        for place in range(0, len(DAY), 40):
            running.commit([message("NF-01", DAY[place : place + 40])])
        with database.read() as conn:
            before = {alarm.id for alarm in ledger.alarms(conn, kind="over_temperature")}
        assert before
        pipeline(
            database,
            policy=policy,
            courses=courses_of(changed, max_gap_s=300.0, silent_after_s=900.0),
        )
        with database.read() as conn:
            after = ledger.alarms(conn, kind="over_temperature")
            matters = {str(entry.matter.value) for entry in outbox.entries(conn)}
    assert {alarm.id for alarm in after} == before
    assert not any(alarm.active or alarm.withdrawn for alarm in after)
    assert all("changed settings" in alarm.remark for alarm in after)
    assert "withdrawn" not in matters
