"""What is done about alarms on their pages: over the invented day, through real requests."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from alerts import hold
from alerts.alarm import Event, State
from alerts.lifecycle import acknowledge, again, move
from models.transition import Priority
from review.access.visitor import Role
from review.alarm_acts import as_seen
from tests.review.desk import DUE, HOT, SPELL, STUCK, alarm, audited, forms, happened, send
from tests.review.northfold_day import END_MS
from tests.review.stage import Stage, signed_in, stage

ACKNOWLEDGE = "/alarms/acknowledge"


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    """A console at which nothing is changed."""
    with stage(tmp_path_factory.mktemp("still")) as opened:
        yield opened


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Stage]:
    with stage(tmp_path) as opened:
        yield opened


def test_acknowledging_signs_and_ends_the_asking(at: Stage) -> None:
    form = forms(at.client.get("/alarms"), ACKNOWLEDGE)[0]
    answer = send(at.client, form)
    assert (answer.status_code, answer.headers["location"]) == (
        303,
        "/alarms?done=acknowledged",
    )
    known = alarm(at.database, STUCK)
    assert (known.state, known.acknowledged_by) == (State.ACKNOWLEDGED, "Ines")
    page = at.client.get(answer.headers["location"])
    assert "Written down: you know." in page.text
    assert "Ines acknowledged it" in page.text
    assert audited(at.database) == [("alarm.acknowledged", "Ines")]


def test_all_of_a_truck_are_acknowledged_at_once(at: Stage) -> None:
    every = next(
        form
        for form in forms(at.client.get("/alarms"), ACKNOWLEDGE)
        if " " in form.fields["seen"]
    )
    assert send(at.client, every).status_code == 303
    assert alarm(at.database, STUCK).state is State.ACKNOWLEDGED
    assert alarm(at.database, HOT).state is State.LATCHED_ACKNOWLEDGED
    assert alarm(at.database, DUE).state is State.UNACKNOWLEDGED


def test_a_second_tap_changes_nothing_and_is_no_trouble(at: Stage) -> None:
    form = forms(at.client.get("/alarms"), ACKNOWLEDGE)[0]
    first = send(at.client, form)
    before = happened(at.database, alarm(at.database, STUCK).id)
    second = send(at.client, form)
    assert (first.status_code, second.status_code) == (303, 303)
    assert happened(at.database, alarm(at.database, STUCK).id) == before
    assert audited(at.database) == [("alarm.acknowledged", "Ines")]


def test_a_second_tap_on_what_was_over_is_no_trouble_either(at: Stage) -> None:
    (form,) = forms(at.client.get("/alarms?truck=NF-05"), ACKNOWLEDGE)
    assert [send(at.client, form).status_code for _ in range(2)] == [303, 303]
    assert alarm(at.database, SPELL).state is State.NORMAL


def test_who_comes_second_hears_who_was_first(at: Stage) -> None:
    form = forms(at.client.get("/alarms"), ACKNOWLEDGE)[0]
    with at.database.write() as tx:
        acknowledge(tx, alarm(at.database, STUCK).id, by="Kim", now_ms=END_MS)
    answer = send(at.client, form)
    assert answer.status_code == 409
    assert "Kim acknowledged it before you" in answer.text
    assert alarm(at.database, STUCK).acknowledged_by == "Kim"


def test_what_became_worse_is_not_acknowledged_unseen(at: Stage) -> None:
    (form,) = forms(at.client.get("/alarms?truck=NF-07"), ACKNOWLEDGE)
    with at.database.write() as tx:
        worse = replace(alarm(at.database, DUE), priority=Priority.CRITICAL)
        move(tx, worse, Event.RISE, now_ms=END_MS)
    answer = send(at.client, form)
    assert answer.status_code == 409
    assert "it was high on your page and is critical now" in answer.text
    assert alarm(at.database, DUE).state is State.UNACKNOWLEDGED


def test_what_came_again_is_not_acknowledged_unseen(at: Stage) -> None:
    (form,) = forms(at.client.get("/alarms?truck=NF-05"), ACKNOWLEDGE)
    with at.database.write() as tx:
        move(tx, again(alarm(at.database, SPELL)), Event.RECUR, now_ms=END_MS)
    answer = send(at.client, form)
    assert answer.status_code == 409
    assert "it went and came again" in answer.text
    assert alarm(at.database, SPELL).state is State.UNACKNOWLEDGED


def test_what_somebody_shelved_meanwhile_is_said_so(at: Stage) -> None:
    form = forms(at.client.get("/alarms"), ACKNOWLEDGE)[0]
    with at.database.write() as tx:
        move(tx, alarm(at.database, STUCK), Event.SHELVE, now_ms=END_MS, by="Kim")
    answer = send(at.client, form)
    assert answer.status_code == 409
    assert "Somebody holds it back" in answer.text


def test_of_several_those_that_can_be_are_acknowledged(at: Stage) -> None:
    every = next(
        form
        for form in forms(at.client.get("/alarms"), ACKNOWLEDGE)
        if " " in form.fields["seen"]
    )
    with at.database.write() as tx:
        acknowledge(tx, alarm(at.database, HOT).id, by="Kim", now_ms=END_MS)
    answer = send(at.client, every)
    assert answer.status_code == 409
    assert "1 of 2 is written down" in answer.text
    assert alarm(at.database, STUCK).acknowledged_by == "Ines"


def test_the_form_of_another_page_acknowledges_too(at: Stage) -> None:
    known = alarm(at.database, DUE)
    told = {"turn": str(known.turn), "priority": str(int(known.priority)), "next": "/"}
    answer = at.client.post(f"/alarms/{known.id}/acknowledge", data=told)
    assert (answer.status_code, answer.headers["location"]) == (303, "/?done=acknowledged")
    assert alarm(at.database, DUE).state is State.ACKNOWLEDGED


@pytest.mark.parametrize("seen", ["", "nonsense", "a:b:c", "x:99999999999999999999:4", ":0:4"])
def test_a_form_that_names_nothing_does_nothing(still: Stage, seen: str) -> None:
    assert still.client.post(ACKNOWLEDGE, data={"seen": seen}).status_code == 400
    assert audited(still.database) == []


def test_an_unknown_alarm_is_not_found(still: Stage) -> None:
    assert still.client.post(ACKNOWLEDGE, data={"seen": "f" * 20 + ":0:4"}).status_code == 404


@pytest.mark.parametrize("next_", ["https://else.example/", "//else.example", "/\\else", ""])
def test_a_form_leads_only_to_pages_of_our_own(at: Stage, next_: str) -> None:
    seen = str(as_seen(alarm(at.database, DUE)))
    answer = at.client.post(ACKNOWLEDGE, data={"seen": seen, "next": next_})
    assert answer.headers["location"] == "/alarms?done=acknowledged"


def test_a_comment_is_written_down_and_changes_nothing(at: Stage) -> None:
    before = alarm(at.database, STUCK)
    answer = at.client.post(
        f"/alarms/{before.id}/comment", data={"comment": "Towed in,\r\n cold now <b>"}
    )
    assert answer.status_code == 303
    assert alarm(at.database, STUCK) == before
    assert happened(at.database, before.id)[-1] == (
        Event.COMMENT,
        "Ines",
        "Towed in, cold now <b>",
    )
    page = at.client.get(f"/alarms/{before.id}").text
    assert "Towed in, cold now &lt;b&gt;" in page
    assert at.client.post(f"/alarms/{before.id}/comment", data={}).status_code == 400


def test_a_look_closes_what_waits_for_one(at: Stage) -> None:
    waiting = alarm(at.database, HOT)
    path = f"/alarms/{waiting.id}"
    page = at.client.get(path)
    assert "A look is a look" in page.text
    (form,) = forms(page, f"{path}/look")
    assert send(at.client, form).status_code == 422
    assert alarm(at.database, HOT).state is State.LATCHED
    answer = send(at.client, form, comment="fluid dark, seals dry, filter clean")
    assert answer.status_code == 303
    assert alarm(at.database, HOT).state is State.NORMAL
    events = [(event, by) for event, by, _ in happened(at.database, waiting.id)][-2:]
    assert events == [(Event.ACKNOWLEDGE, "Ines"), (Event.RESET, "Ines")]
    assert send(at.client, form, comment="again").status_code == 303  # a second tap
    assert happened(at.database, waiting.id)[-1][0] is Event.RESET
    assert audited(at.database) == [("alarm.reset", "Ines")]


def test_nothing_is_closed_that_came_again(at: Stage) -> None:
    path = f"/alarms/{alarm(at.database, HOT).id}"
    (form,) = forms(at.client.get(path), f"{path}/look")
    with at.database.write() as tx:
        move(tx, again(alarm(at.database, HOT)), Event.RECUR, now_ms=END_MS)
    answer = send(at.client, form, comment="looked")
    assert answer.status_code == 409
    assert "its condition holds again" in answer.text
    assert alarm(at.database, HOT).state is State.UNACKNOWLEDGED


def test_who_closes_second_hears_who_was_first(at: Stage) -> None:
    path = f"/alarms/{alarm(at.database, HOT).id}"
    (form,) = forms(at.client.get(path), f"{path}/look")
    with signed_in(at, Role.TECHNICIAN) as omar:
        (own,) = forms(omar.get(path), f"{path}/look")
        assert send(omar, own, comment="all dry").status_code == 303
    answer = send(at.client, form, comment="looked")
    assert answer.status_code == 409
    assert "Omar closed it before you" in answer.text


def test_a_viewer_looks_and_changes_nothing(at: Stage) -> None:
    with signed_in(at, Role.VIEWER) as kim:
        page = kim.get("/alarms")
        assert page.status_code == 200
        assert forms(page, ACKNOWLEDGE) == []
        known = alarm(at.database, STUCK)
        posts: tuple[tuple[str, dict[str, str]], ...] = (
            (ACKNOWLEDGE, {"seen": str(as_seen(known))}),
            (f"/alarms/{known.id}/comment", {"comment": "x"}),
            (f"/alarms/{known.id}/look", {"seen": str(as_seen(known)), "comment": "x"}),
            ("/alarms/hold", {"truck": "NF-03", "reason": "x"}),
            ("/alarms/holds/1/release", {}),
        )
        assert {kim.post(path, data=told).status_code for path, told in posts} == {403}
    assert alarm(at.database, STUCK) == known
    with at.database.read() as conn:
        assert hold.standing(conn, END_MS) == ()
