"""What the API does not do, and for whom: problems (RFC 9457), methods (RFC 9110), tokens (RFC 6750)."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier, Event
from typing import Any

import httpx
import pytest

from review import what_if
from review.access.gate import CSRF_HEADER
from review.access.tokens import Scope
from review.access.visitor import Role
from review.api.pace import Pace
from review.api.turns import AT_ONCE
from tests.review.api_stage import NOW, ApiStage, api_stage, pan_drop, problem


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ApiStage]:
    with api_stage(tmp_path_factory.mktemp("api")) as at:
        yield at


@pytest.fixture
def own(tmp_path: Path) -> Iterator[ApiStage]:
    """For what writes."""
    with api_stage(tmp_path) as at:
        yield at


def test_a_truck_that_nobody_knows(stage: ApiStage) -> None:
    told = problem(stage.client.get("/trucks/NF-33"), 404, "no-such-truck")
    assert "NF-33" in told["detail"]
    for rest in ("samples", "rollups", "record", "fills", "series", "what-if"):
        problem(stage.client.get(f"/trucks/NF-33/{rest}"), 404, "no-such-truck")


def test_a_path_that_is_none(stage: ApiStage) -> None:
    problem(stage.client.get("/nothing"), 404, "not-here")


def test_a_method_that_is_none_names_those_that_are(stage: ApiStage) -> None:
    """RFC 9110, section 15.5.6: all of them, though they have routes of their own."""
    answer = stage.client.put("/trucks/NF-03/record", json={})
    problem(answer, 405, "wrong-method")
    assert answer.headers["allow"] == "GET, HEAD, POST"


@pytest.mark.parametrize(
    ("path", "where"),
    [
        ("/alarms?limit=0", "query.limit"),
        ("/alarms?limit=9999", "query.limit"),
        ("/alarms?since=yesterday", "query.since"),
        ("/alarms?since=1781589600", "query.since"),
        ("/alarms?since=2026-06-16T06:00:00", "query.since"),
        ("/alarms?kind=smoke", "query.kind"),
        ("/alarms?cursor=tampered", "query.cursor"),
        ("/alarms?cursor=WzEsMl0", "query.cursor"),
        ("/trucks/a%20b", "path.truck"),
        ("/record/0", "path.entry_id"),
        ("/record/99999999999999999999", "path.entry_id"),
    ],
)
def test_what_is_not_understood_is_said_with_its_place(
    stage: ApiStage, path: str, where: str
) -> None:
    told = problem(stage.client.get(path), 422, "not-understood")
    assert where in [each["where"] for each in told["errors"]]


@pytest.mark.parametrize("body", [b"{", b"\xff", b"[" * 100_000, b'{"kind": NaN}', b"1" * 5000])
def test_a_body_that_is_no_json(stage: ApiStage, body: bytes) -> None:
    headers = {"Content-Type": "application/json"}
    answer = stage.client.post("/trucks/NF-03/record", content=body, headers=headers)
    assert answer.status_code in (413, 422)
    problem(
        answer,
        answer.status_code,
        "too-long" if answer.status_code == 413 else "not-understood",
    )


def test_a_body_of_another_kind(stage: ApiStage) -> None:
    problem(
        stage.client.post("/trucks/NF-03/record", data={"kind": "filter"}), 415, "wrong-content"
    )


def test_a_body_that_is_too_long(stage: ApiStage) -> None:
    answer = stage.client.post("/trucks/NF-03/record", json=pan_drop(note="x" * 70_000))
    problem(answer, 413, "too-long")


def test_a_span_that_is_none(stage: ApiStage) -> None:
    query = "since=2026-06-16T08:00:00Z&until=2026-06-16T07:00:00Z"
    problem(stage.client.get(f"/figures?{query}"), 409, "no-ground")


def test_nobody_is_told_how_to_be_somebody(stage: ApiStage) -> None:
    """RFC 9110, section 11.6.1; RFC 6750, section 3: no error code where nothing was tried."""
    with httpx.Client(base_url=f"{stage.url}/api/v1") as stranger:
        for path in ("/trucks", "/openapi.json", "/nothing", "/trucks/NF-33"):
            answer = stranger.get(path)
            problem(answer, 401, "signed-out")
            assert answer.headers["www-authenticate"] == 'Bearer realm="heatbook"'
        wrong = stranger.get("/trucks", headers={"Authorization": "Bearer heatbook_nothing"})
        problem(wrong, 401, "signed-out")
        assert 'error="invalid_token"' in wrong.headers["www-authenticate"]


def test_a_token_is_for_its_scopes(stage: ApiStage) -> None:
    with stage.program(Scope.READ) as program:
        assert program.get("/trucks").status_code == 200
        refused = program.post("/trucks/NF-03/record", json=pan_drop())
        told = problem(refused, 403, "not-allowed")
        assert "record" in told["detail"]
        assert 'error="insufficient_scope"' in refused.headers["www-authenticate"]
        assert 'scope="record"' in refused.headers["www-authenticate"]
    with stage.program(Scope.RECORD) as program:
        (one,) = program.get("/alarms?kind=bypass_stuck").json()["alarms"]
        refused = program.post(f"/alarms/{one['id']}/acknowledgement", json={})
        assert "acknowledge" in problem(refused, 403, "not-allowed")["detail"]


def test_a_session_needs_its_secret_for_what_changes_something(own: ApiStage) -> None:
    with own.person(Role.TECHNICIAN) as omar:
        assert omar.get("/trucks").status_code == 200
        secret = omar.headers.pop(CSRF_HEADER)
        told = problem(omar.post("/trucks/NF-03/record", json=pan_drop()), 403, "not-allowed")
        assert CSRF_HEADER in told["detail"].lower()
        omar.headers[CSRF_HEADER] = secret
        assert omar.post("/trucks/NF-03/record", json=pan_drop()).status_code == 201


def test_a_viewer_records_nothing(own: ApiStage) -> None:
    with own.person(Role.VIEWER) as kim:
        assert kim.get("/trucks").status_code == 200
        told = problem(kim.post("/trucks/NF-03/record", json=pan_drop()), 403, "not-allowed")
        assert "technician" in told["detail"]


def test_a_person_may_here_what_they_may_on_the_console(own: ApiStage) -> None:
    """What a truck is, a manager says; what came as it came and where people are reached is not for all."""
    register = {"kind": "register", "done_at": NOW, "title": "Spare"}
    gearbox = {"kind": "gearbox", "done_at": NOW}
    with own.person(Role.TECHNICIAN) as omar:
        for truck, body in (("NF-92", register), ("NF-03", gearbox)):
            told = problem(omar.post(f"/trucks/{truck}/record", json=body), 403, "not-allowed")
            assert "manager" in told["detail"]
        for path in ("/quarantine", "/notices"):
            assert omar.get(path).status_code == 200
    with own.person(Role.MANAGER) as ines:
        assert ines.post("/trucks/NF-92/record", json=register).status_code == 201
    with own.person(Role.VIEWER) as kim:
        for path in ("/quarantine", "/quarantine/1", "/notices"):
            told = problem(kim.get(path), 403, "not-allowed")
            assert "technician" in told["detail"]
    with own.program(Scope.READ) as program:
        assert program.get("/quarantine").status_code == 200


def test_who_asks_too_often_is_told_how_long_to_wait(tmp_path: Path) -> None:
    """RFC 6585, section 4; the bucket fills evenly, and one caller's does not hinder another."""
    with api_stage(tmp_path, pace=Pace(per_s=0.001, at_once=3.0)) as at:
        answers = [at.client.get("/system") for _ in range(4)]
        assert [each.status_code for each in answers] == [200, 200, 200, 429]
        problem(answers[3], 429, "too-many")
        assert int(answers[3].headers["retry-after"]) > 100
        with at.program(Scope.READ) as other:
            assert other.get("/system").status_code == 200


def test_what_takes_long_has_few_turns(
    stage: ApiStage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RFC 6585, section 4: one caller does not take all threads, and what is quick is answered meanwhile."""
    inside, go = Barrier(AT_ONCE + 1), Event()
    really = what_if.answer

    def slow(*told: Any, **asked: Any) -> what_if.Answer:
        inside.wait(60.0)
        assert go.wait(60.0)
        return really(*told, **asked)

    monkeypatch.setattr(what_if, "answer", slow)
    path = "/trucks/NF-03/what-if"
    with ThreadPoolExecutor() as pool:
        under_way = [pool.submit(stage.client.get, path) for _ in range(AT_ONCE)]
        inside.wait(60.0)
        for each in (path, "/trucks/NF-03/review"):
            refused = stage.client.get(each)
            problem(refused, 429, "too-many")
            assert refused.headers["retry-after"] == "5"
        assert stage.client.get("/trucks").status_code == 200
        go.set()
        assert [each.result().status_code for each in under_way] == [200] * AT_ONCE
    monkeypatch.undo()
    assert stage.client.get(path).status_code == 200


def test_who_guesses_is_slowed_down(tmp_path: Path) -> None:
    with api_stage(tmp_path, guesses=2) as at:
        bad = {"Authorization": "Bearer heatbook_guess"}
        answers = [at.client.get("/system", headers=bad).status_code for _ in range(4)]
        assert answers == [401, 401, 429, 429]
        assert at.client.get("/system").status_code == 200


def test_a_browser_that_is_not_signed_in_is_sent_to_where_it_can(stage: ApiStage) -> None:
    with httpx.Client(base_url=stage.url) as browser:
        answer = browser.get("/api/v1/", headers={"Accept": "text/html"})
        assert answer.status_code == 303
        assert answer.headers["location"] == "/sign-in?next=%2Fapi%2Fv1%2F"
