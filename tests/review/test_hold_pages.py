"""Holding alarms back from the console, and letting go: over the invented day, through real requests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from alerts import hold
from alerts.alarm import State
from alerts.hold import Hold
from review.access.visitor import Role
from tests.review.desk import DUE, HOT, STUCK, alarm, audited, forms, send
from tests.review.northfold_day import END_MS
from tests.review.stage import Stage, signed_in, stage

HOUR_MS = 3_600_000
HOLD = "/alarms/hold"


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    """A console at which nothing is changed."""
    with stage(tmp_path_factory.mktemp("still")) as opened:
        yield opened


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Stage]:
    with stage(tmp_path) as opened:
        yield opened


def standing(at: Stage) -> tuple[Hold, ...]:
    with at.database.read() as conn:
        return hold.standing(conn, END_MS)


@pytest.mark.parametrize(("span", "hours"), [("1h", 1), ("8h", 8)])
def test_an_alarm_is_shelved_from_its_page(at: Stage, span: str, hours: int) -> None:
    path = f"/alarms/{alarm(at.database, STUCK).id}"
    (form,) = forms(at.client.get(path), HOLD)
    answer = send(at.client, form, span=span, reason="parts on order")
    assert (answer.status_code, answer.headers["location"]) == (303, f"{path}?done=shelved")
    (made,) = standing(at)
    assert (made.vehicle, made.kind, made.state) == ("NF-03", "bypass_stuck", State.SHELVED)
    assert (made.by, made.reason) == ("Ines", "parts on order")
    assert made.until_ms == END_MS + hours * HOUR_MS
    assert alarm(at.database, STUCK).state is State.SHELVED
    assert alarm(at.database, HOT).state is State.LATCHED  # another kind
    assert audited(at.database) == [("alarm.shelved", "Ines")]
    page = at.client.get("/alarms").text
    assert "Held back on purpose" in page
    assert "by Ines: “parts on order”" in page


def test_a_shelf_ends_at_a_time_of_the_readers_zone(at: Stage) -> None:
    told = {"truck": "NF-07", "reason": "booked", "span": "until", "until": "2026-06-18T07:30"}
    assert at.client.post(HOLD, data=told).status_code == 303
    (made,) = standing(at)
    assert made.until_ms == 1_781_767_800_000  # date -u -d 2026-06-18T07:30Z +%s, in ms
    assert made.kind is None


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"reason": " "}, "give a reason"),
        ({"span": "until", "until": ""}, "Say until when"),
        ({"span": "until", "until": "tomorrow"}, "Say until when"),
        ({"span": "until", "until": "2020-01-01T00:00"}, "end has passed"),
        ({"span": "until", "until": "9999-12-31T23:59"}, "at most"),
        ({"span": "until", "until": "0001-01-01T00:00"}, "end has passed"),
        ({"span": "until", "until": "2026-06-18T14:00"}, "1440 minutes|24 hours|1 day"),
        ({"truck": "NF-99"}, "No truck is named"),
        ({"truck": ""}, "Say which"),
    ],
)
def test_a_hold_that_cannot_be_is_refused_and_said_where(
    still: Stage, told: dict[str, str], said: str
) -> None:
    form = {"truck": "NF-03", "kind": "bypass_stuck", "reason": "parts", "span": "1h", **told}
    answer = still.client.post(HOLD, data=form)
    assert answer.status_code == 422
    assert any(each.lower() in answer.text.lower() for each in said.split("|"))
    assert 'class="error"' in answer.text
    assert standing(still) == ()
    assert audited(still.database) == []


def test_what_a_technician_may_hold_back(at: Stage) -> None:
    with signed_in(at, Role.TECHNICIAN) as omar:
        page = omar.get(f"{HOLD}?truck=NF-07")
        assert "Out of service" not in page.text
        for state in ("suppressed_by_design", "out_of_service"):
            told = {"truck": "NF-07", "state": state, "span": "open", "reason": "laid up"}
            assert omar.post(HOLD, data=told).status_code == 403
        assert standing(at) == ()
        told = {"truck": "NF-07", "reason": "booked"}
        assert omar.post(HOLD, data=told).status_code == 303
        assert standing(at)[0].by == "Omar"


@pytest.mark.parametrize("state", ["suppressed_by_design", "out_of_service"])
def test_a_manager_holds_back_without_an_end_and_lets_go(at: Stage, state: str) -> None:
    told = {"truck": "NF-07", "state": state, "span": "open", "reason": "laid up"}
    assert at.client.post(HOLD, data=told).status_code == 303
    (made,) = standing(at)
    assert (made.state, made.until_ms) == (State(state), None)
    assert alarm(at.database, DUE).state is State(state)
    release = f"/alarms/holds/{made.id}/release"
    with signed_in(at, Role.TECHNICIAN) as omar:
        assert forms(omar.get("/alarms"), release) == []
        assert omar.post(release, data={}).status_code == 403
    (form,) = forms(at.client.get("/alarms"), release)
    assert send(at.client, form).status_code == 303
    assert standing(at) == ()
    assert alarm(at.database, DUE).state is State.UNACKNOWLEDGED
    assert send(at.client, form).status_code == 303  # a second tap
    assert [what for what, _ in audited(at.database)] == ["truck.held", "truck.released"]


def test_what_is_shelved_needs_an_end(still: Stage) -> None:
    told = {"truck": "NF-07", "state": "shelved", "span": "open", "reason": "laid up"}
    assert still.client.post(HOLD, data=told).status_code == 422
    assert standing(still) == ()


def test_who_lets_go_second_hears_who_was_first(at: Stage) -> None:
    told = {"truck": "NF-07", "reason": "booked"}
    assert at.client.post(HOLD, data=told).status_code == 303
    (made,) = standing(at)
    release = f"/alarms/holds/{made.id}/release"
    with signed_in(at, Role.TECHNICIAN) as omar:
        assert omar.post(release, data={}).status_code == 303
    answer = at.client.post(release, data={})
    assert answer.status_code == 409
    assert "Omar let go of it before you" in answer.text


@pytest.mark.parametrize("number", ["77", "9" * 30])
def test_a_hold_that_never_was_is_not_found(still: Stage, number: str) -> None:
    assert still.client.post(f"/alarms/holds/{number}/release", data={}).status_code == 404
