"""Services that are recorded by the API: keys, corrections, what does not fit."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from ingest import record
from review.access import accounts, tokens
from review.access.audit import lines
from review.access.tokens import Scope
from review.access.visitor import Role
from tests.review.api_stage import NOW, ApiStage, api_stage, pan_drop, problem
from tests.review.stage import sign_in


@pytest.fixture(scope="module")
def stage(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ApiStage]:
    with api_stage(tmp_path_factory.mktemp("api")) as at:
        yield at


@pytest.fixture
def own(tmp_path: Path) -> Iterator[ApiStage]:
    """For what writes."""
    with api_stage(tmp_path) as at:
        yield at


def test_a_service_is_recorded_and_can_be_read(own: ApiStage) -> None:
    answer = own.client.post("/trucks/NF-03/record", json=pan_drop(odometer_km=61310.0))
    assert answer.status_code == 201
    made = answer.json()
    assert made["entered_by"].endswith("(token)")
    assert (made["volume_l"], made["filter_changed"]) == (4.5, True)
    again = httpx.get(own.url + answer.headers["location"], headers=dict(own.client.headers))
    assert again.json() == made
    assert again.headers["etag"] == answer.headers["etag"]
    assert own.client.get("/trucks/NF-03/record").json()["entries"] == [made]
    with own.database.read() as conn:
        (entry,) = record.history(conn, "NF-03")
        assert entry.numbers == {"volume_l": 4.5, "filter": 1.0, "odometer_km": 61310.0}
        assert lines(conn)[0].what == "service.recorded"


def test_every_kind_can_be_entered(own: ApiStage) -> None:
    bodies: list[dict[str, Any]] = [
        {"kind": "register", "title": "Spare", "circuit": "full_flow", "fluid_total_l": 11.0},
        {"kind": "install", "life_used_share": 0.2},
        {"kind": "exchange"},
        {"kind": "pan_drop", "volume_l": 4.0},
        {"kind": "filter"},
        {"kind": "top_up", "volume_l": 0.5},
        {"kind": "fluid_change", "fluid": "chart-rows"},
        {"kind": "circuit", "cooler": "tube_and_fin"},
        {"kind": "gearbox", "thermal_class": "heavy"},
        {
            "kind": "sample",
            "acid_mg_g": 2.0,
            "acid_new_mg_g": 1.5,
            "laboratory": "Northfold lab",
        },
    ]
    for body in bodies:
        answer = own.client.post("/trucks/NF-90/record", json={"done_at": NOW, **body})
        assert answer.status_code == 201, answer.text
        for name, value in body.items():
            assert answer.json()[name] == value
    listed = own.client.get("/trucks/NF-90/record").json()["entries"]
    assert [each["kind"] for each in reversed(listed)] == [body["kind"] for body in bodies]


def test_the_same_request_twice_is_one_entry(own: ApiStage) -> None:
    """As the IETF's draft of the header Idempotency-Key has it: the first answer again, 422 for another."""
    headers = {"Idempotency-Key": "8e03978e-40d5-43dd-bc93-6894a57f9324"}
    first = own.client.post("/trucks/NF-03/record", json=pan_drop(), headers=headers)
    again = own.client.post("/trucks/NF-03/record", json=pan_drop(), headers=headers)
    assert (again.status_code, again.json()) == (201, first.json())
    other = own.client.post(
        "/trucks/NF-03/record", json=pan_drop(volume_l=5.0), headers=headers
    )
    problem(other, 422, "key-used")
    with own.person(Role.MANAGER) as ines:  # her keys are her own
        hers = ines.post("/trucks/NF-03/record", json=pan_drop(volume_l=5.0), headers=headers)
        assert hers.status_code == 201
    assert len(own.client.get("/trucks/NF-03/record").json()["entries"]) == 2


def test_a_key_is_its_callers_own_whatever_they_are_called(own: ApiStage) -> None:
    headers = {"Idempotency-Key": "one"}
    where = "/trucks/NF-03/record"
    with own.program(Scope.RECORD) as first:
        made = first.post(where, json=pan_drop(volume_l=4.0), headers=headers).json()
        with own.database.write() as tx:
            token = tokens.listed(tx)[0]
            name = f"{token.name} (token)"
            person = accounts.add(
                tx, name, Role.TECHNICIAN, "", now_ms=1, one_time_until_ms=None
            )
        with httpx.Client(base_url=f"{own.url}/api/v1") as namesake:
            sign_in(namesake, own.house, person)
            theirs = namesake.post(where, json=pan_drop(volume_l=4.0), headers=headers)
        assert theirs.json()["id"] != made["id"]
        # A token that was revoked, and another of its name.
        with own.database.write() as tx:
            tokens.revoke(tx, token.id, by="Ines", now_ms=1)
            again = tokens.make(
                tx, token.name, [Scope.RECORD], by="Ines", now_ms=1, ends_ms=None
            )
        first.headers["Authorization"] = f"Bearer {again}"
        other = first.post(where, json=pan_drop(volume_l=3.0), headers=headers)
        assert (other.status_code, other.json()["volume_l"]) == (201, 3.0)
        assert (
            first.post(where, json=pan_drop(volume_l=3.0), headers=headers).json()
            == other.json()
        )
    assert len(own.client.get(where).json()["entries"]) == 3


def test_a_registration_twice_is_one_too(own: ApiStage) -> None:
    headers = {"Idempotency-Key": "one"}
    body = {"kind": "register", "done_at": NOW, "title": "Spare"}
    first = own.client.post("/trucks/NF-91/record", json=body, headers=headers)
    again = own.client.post("/trucks/NF-91/record", json=body, headers=headers)
    assert (first.status_code, again.json()) == (201, first.json())


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (pan_drop(volume_l=40.0), "holds in all"),
        (pan_drop(done_at="2026-06-20T00:00:00Z"), "future"),
        ({"kind": "fluid_change", "done_at": NOW, "fluid": "tar"}, "tar"),
        ({"kind": "sample", "done_at": NOW}, "at least one of"),
    ],
)
def test_what_does_not_fit_is_refused_and_not_written(
    own: ApiStage, body: dict[str, Any], says: str
) -> None:
    told = problem(own.client.post("/trucks/NF-03/record", json=body), 409, "does-not-fit")
    assert says in told["detail"]
    assert own.client.get("/trucks/NF-03/record").json()["entries"] == []


@pytest.mark.parametrize(
    ("body", "where"),
    [
        (pan_drop(volume_l="4.5"), "body.pan_drop.volume_l"),
        (pan_drop(volume_l=-1.0), "body.pan_drop.volume_l"),
        (pan_drop(volume_qt=5.0), "body.pan_drop.volume_qt"),
        (pan_drop(done_at="2026-06-16"), "body.pan_drop.done_at"),
        (pan_drop(note="a\u0000b"), "body.pan_drop.note"),
        ({"kind": "top_up", "done_at": NOW}, "body.top_up.volume_l"),
        ({"kind": "wash", "done_at": NOW}, "body"),
    ],
)
def test_what_is_no_entry_is_said_with_its_place(
    stage: ApiStage, body: dict[str, Any], where: str
) -> None:
    told = problem(stage.client.post("/trucks/NF-03/record", json=body), 422, "not-understood")
    assert where in [each["where"] for each in told["errors"]]


def test_a_correction_takes_the_place_of_an_entry(own: ApiStage) -> None:
    made = own.client.post("/trucks/NF-03/record", json=pan_drop(odometer_km=61310.0))
    entry = made.json()["id"]
    tag = made.headers["etag"]
    answer = own.client.post(
        f"/record/{entry}/correction",
        json={"volume_l": 5.0, "odometer_km": None},
        headers={"If-Match": tag},
    )
    assert answer.status_code == 201, answer.text
    after = answer.json()
    assert (after["volume_l"], after["odometer_km"], after["filter_changed"]) == (
        5.0,
        None,
        True,
    )
    assert after["supersedes_id"] == entry
    assert own.client.get(f"/record/{entry}").json()["superseded_by_id"] == after["id"]
    # Who has seen the old state is told so, whoever was first (RFC 9110, section 13.1.1).
    late = own.client.post(
        f"/record/{entry}/strike", json={"note": "entered twice"}, headers={"If-Match": tag}
    )
    problem(late, 412, "changed-since")
    without = own.client.post(f"/record/{entry}/strike", json={"note": "entered twice"})
    problem(without, 409, "does-not-fit")
    struck = own.client.post(f"/record/{after['id']}/strike", json={"note": "entered twice"})
    assert (struck.status_code, struck.json()["kind"]) == (201, "struck")


def test_only_a_manager_mends_what_others_entered(own: ApiStage) -> None:
    entry = own.client.post("/trucks/NF-03/record", json=pan_drop()).json()["id"]
    with own.person(Role.TECHNICIAN) as omar:
        problem(omar.post(f"/record/{entry}/strike", json={"note": "no"}), 403, "not-allowed")
    with own.person(Role.MANAGER) as ines:
        assert ines.post(f"/record/{entry}/strike", json={"note": "no"}).status_code == 201
