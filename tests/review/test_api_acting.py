"""Alarms that are acknowledged, looked at and held back by the API, by one or by two at a time."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from alerts import ledger
from alerts.alarm import State
from review.access.audit import lines
from review.access.visitor import Role
from tests.review.api_stage import ApiStage, api_stage, problem


@pytest.fixture
def own(tmp_path: Path) -> Iterator[ApiStage]:
    """For what writes."""
    with api_stage(tmp_path) as at:
        yield at


def test_an_alarm_is_acknowledged(own: ApiStage) -> None:
    (one,) = own.client.get("/alarms?kind=bypass_stuck").json()["alarms"]
    answer = own.client.post(
        f"/alarms/{one['id']}/acknowledgement",
        json={"comment": "Omar drives out", "turn_count": one["turn_count"]},
    )
    after = answer.json()["alarm"]
    assert after["state"] == "acknowledged"
    assert after["comment"] == "Omar drives out"
    with own.database.read() as conn:
        stored = ledger.get(conn, one["id"])
        assert stored is not None
        assert stored.state is State.ACKNOWLEDGED
        assert lines(conn)[0].about == "NF-03 bypass_stuck"
    # The next answer shows it, though it comes from memory.
    truck = own.client.get("/trucks/NF-03").json()
    assert {each["state"] for each in truck["alarms"] if each["id"] == one["id"]} == {
        "acknowledged"
    }
    twice = own.client.post(f"/alarms/{one['id']}/acknowledgement", json={"comment": "again"})
    assert twice.json()["alarm"]["comment"] == "Omar drives out"


def test_two_who_acknowledge_at_the_same_time(own: ApiStage) -> None:
    (one,) = own.client.get("/alarms?kind=bypass_stuck").json()["alarms"]
    path = f"/alarms/{one['id']}"
    seen = {"If-Match": own.client.get(path).headers["etag"]}
    first = own.client.post(f"{path}/acknowledgement", json={}, headers=seen)
    assert first.status_code == 200
    problem(
        own.client.post(f"{path}/acknowledgement", json={}, headers=seen), 412, "changed-since"
    )


def test_what_has_become_worse_since_it_was_seen_is_not_acknowledged(own: ApiStage) -> None:
    (one,) = own.client.get("/alarms?kind=bypass_stuck").json()["alarms"]
    path = f"/alarms/{one['id']}/acknowledgement"
    problem(own.client.post(path, json={"priority": "high"}), 409, "came-again")
    problem(own.client.post(path, json={"turn_count": 7}), 409, "came-again")
    assert own.client.post(path, json={"priority": "critical"}).status_code == 200


def test_what_is_latched_waits_for_a_look(own: ApiStage) -> None:
    (hot,) = own.client.get("/alarms?state=latched_unacknowledged").json()["alarms"]
    (stuck,) = own.client.get("/alarms?kind=bypass_stuck").json()["alarms"]
    problem(own.client.post(f"/alarms/{stuck['id']}/look", json={}), 409, "does-not-fit")
    looked = own.client.post(f"/alarms/{hot['id']}/look", json={"comment": "seals are dry"})
    assert looked.json()["alarm"]["state"] == "normal"


def test_an_alarm_is_shelved_and_let_go(own: ApiStage) -> None:
    until = "2026-06-16T20:00:00Z"
    body = {
        "state": "shelved",
        "truck": "NF-03",
        "kind": "bypass_stuck",
        "reason": "parts ordered",
    }
    problem(own.client.post("/holds", json=body), 409, "does-not-fit")  # it comes back: when?
    made = own.client.post("/holds", json={**body, "until_at": until})
    assert made.status_code == 201
    (one,) = own.client.get("/alarms?kind=bypass_stuck").json()["alarms"]
    assert one["state"] == "shelved"
    problem(
        own.client.post(f"/alarms/{one['id']}/acknowledgement", json={}), 409, "does-not-fit"
    )
    path = made.headers["location"].removeprefix("/api/v1")
    assert own.client.get(path).json() == made.json()
    ended = own.client.delete(path)
    assert (ended.status_code, ended.content) == (204, b"")
    problem(own.client.delete(path), 404, "not-here")
    assert own.client.get("/holds").json()["holds"] == []


def test_out_of_service_is_for_a_manager(own: ApiStage) -> None:
    body = {"state": "out_of_service", "truck": "NF-03", "reason": "gearbox out"}
    told = problem(own.client.post("/holds", json=body), 403, "not-allowed")
    assert "manager" in told["detail"]
    with own.person(Role.MANAGER) as ines:
        assert ines.post("/holds", json=body).status_code == 201
