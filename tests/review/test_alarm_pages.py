"""The pages of the alarms: what they show of the invented day, through real requests."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from alerts import ledger, outbox, sending
from alerts.alarm import Matter, State
from alerts.policy import Telling
from tests.alerts.store import take
from tests.review.desk import DUE, HOT, SPELL, STUCK, alarm
from tests.review.northfold_day import END_MS, POLICY
from tests.review.stage import Stage, stage

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


def places(text: str, *parts: str) -> list[int]:
    found = [text.index(part) for part in parts]
    assert found == sorted(found), parts
    return found


def test_what_stands_comes_first_then_what_is_over(still: Stage) -> None:
    page = still.client.get("/alarms")
    assert page.status_code == 200
    places(
        page.text,
        "2 alarms stand, the most urgent first; 2 are over and wait for somebody",
        f"a-{alarm(still.database, STUCK).id}",
        f"a-{alarm(still.database, DUE).id}",
        f"a-{alarm(still.database, HOT).id}",
        f"a-{alarm(still.database, SPELL).id}",
    )
    assert "Latched, unacknowledged" in page.text
    assert "Returned to normal, unacknowledged" in page.text


@pytest.mark.parametrize(
    ("query", "shown"),
    [
        ("truck=NF-03", {STUCK, HOT}),
        ("kind=over_temperature", {HOT, SPELL}),
        ("priority=critical", {STUCK, HOT}),
        ("state=latched_unacknowledged", {HOT}),
        ("state=shelved", set()),
        ("truck=NF-05&kind=service_due", set()),
        ("priority=enormous&kind=nonsense&state=normal", {STUCK, HOT, SPELL, DUE}),
    ],
)
def test_the_list_shows_what_is_asked_for(
    still: Stage, query: str, shown: set[tuple[str, str]]
) -> None:
    page = still.client.get(f"/alarms?{query}")
    assert page.status_code == 200
    found = {
        which
        for which in (STUCK, HOT, SPELL, DUE)
        if f"a-{alarm(still.database, which).id}" in page.text
    }
    assert found == shown


def test_the_page_of_an_alarm_says_all_there_is(still: Stage) -> None:
    page = still.client.get(f"/alarms/{alarm(still.database, STUCK).id}")
    assert page.status_code == 200
    places(
        page.text,
        "What to do now",
        "Cautions for whoever drives",
        "What was seen",
        "What a healthy truck would have shown",
        "How sure",
        "Causes that remain",
        "What would tell them apart",
        "Cautions for whoever works on it",
        "What happened to it",
        "Who was told",
        "cooler_share",
    )
    assert "/trucks/NF-03/history" in page.text
    assert 'id="chart"' in page.text


@pytest.mark.parametrize("path", ["/alarms/ffffffffffffffffffff", "/alarms/%00", "/alarms/a'b"])
def test_an_alarm_that_is_not_there_is_said_so(still: Stage, path: str) -> None:
    page = still.client.get(path)
    assert page.status_code == 404
    assert "No such alarm" in page.text


def test_past_alarms_are_listed_page_by_page(at: Stage) -> None:
    path = "/alarms/past"
    assert "No alarm has ever been over" in at.client.get(path).text
    with at.database.write() as tx:
        for nth in range(120):
            ledger.save(
                tx,
                replace(
                    alarm(at.database, SPELL),
                    id=f"{nth:020x}",
                    state=State.NORMAL,
                    onset_ms=END_MS - nth // 2 * 60_000,
                ),
            )
    seen: list[str] = []
    while path:
        page = at.client.get(path)
        assert page.status_code == 200
        found = [f"{nth:020x}" for nth in range(120) if f"/alarms/{nth:020x}" in page.text]
        assert not set(found) & set(seen)
        seen += found
        links = page.text.split('rel="next"')[0].rsplit('href="', 1)
        path = links[1].split('"')[0].replace("&amp;", "&") if 'rel="next"' in page.text else ""
    assert sorted(seen) == [f"{nth:020x}" for nth in range(120)]
    assert at.client.get("/alarms/past?after=nonsense").status_code == 200
    assert "There are no older ones" in at.client.get("/alarms/past?after=5-ab").text


def test_who_was_told_by_what_way_is_shown_with_what_came_of_it(at: Stage) -> None:
    known = alarm(at.database, STUCK)
    tellings = [Telling(destination=name) for name in ("email/kim", "sms/omar", "desk")]
    with at.database.write() as tx:
        outbox.post(tx, known, Matter.ACTIVE, tellings, time_ms=END_MS, now_ms=END_MS)
        for channel in ("email", "sms"):
            claimed = take(tx, channel, END_MS)
            assert claimed is not None
            if channel == "email":
                sending.defer(tx, claimed, END_MS, due_ms=END_MS, reason="451 later")
                sending.settle(tx, claimed, END_MS, "250 taken")
            else:
                sending.give_up(tx, claimed, END_MS, "no such number")
    page = at.client.get(f"/alarms/{known.id}").text.split('id="told-head"')[1]
    rows = page.split("<tbody")[1].split("</tbody>")[0].split("<tr")[1:]
    assert len(rows) == 3
    mail, text, desk = rows
    assert "kim" in mail
    assert "told" in mail
    assert mail.index("deferred: 451 later") < mail.index("delivered: 250 taken")
    assert "given up: no such number" in text
    assert "waits to be sent" in desk
    assert "everybody on it" in desk


def test_the_policy_of_the_day_latches_what_the_page_calls_latched(still: Stage) -> None:
    assert POLICY.latches(HOT[1], alarm(still.database, HOT).priority)
