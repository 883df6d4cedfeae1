"""An alarm about Heatbook itself on the console and in the API: beside the trucks, and taken for none."""

from __future__ import annotations

from collections.abc import Iterator
from html import unescape

import httpx
import pytest

from alerts.ledger import Alarm
from alerts.own.facts import OURSELVES, Facts, Limits
from alerts.own.tick import tick
from alerts.policy import Policy
from tests.review.northfold_day import END_MS
from tests.review.stage import Stage, stage

TITLE = "Little room on the disk of the store"
DO = "Make room, or give the disk more."


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("own")) as found:
        yield found


@pytest.fixture(scope="module")
def alarm(at: Stage) -> Alarm:
    facts = Facts(now_ms=END_MS, free_bytes={"store": 900_000_000})
    with at.database.write() as tx:
        (found,) = tick(tx, facts=facts, limits=Limits(), policy=Policy())
    return found


@pytest.fixture
def page(at: Stage, alarm: Alarm) -> httpx.Client:
    assert alarm.vehicle == OURSELVES
    return at.client


def text(client: httpx.Client, path: str) -> str:
    answer = client.get(path)
    assert answer.status_code == 200, answer.text
    return unescape(answer.text)


def test_today_names_heatbook_and_does_not_say_that_all_trucks_are_silent(
    page: httpx.Client, at: Stage
) -> None:
    at.house.board.refresh()
    said = text(page, "/")
    assert f"Heatbook itself: {TITLE}" in said
    assert DO in said
    assert "Nothing comes from any truck" not in said
    assert "All trucks:" not in said
    # It can wait, and a shut valve cannot.
    assert said.index("NF-03") < said.index(f"Heatbook itself: {TITLE}")


def test_the_lists_and_its_own_page_have_it_and_lead_to_no_truck(
    page: httpx.Client, alarm: Alarm
) -> None:
    for path in ("/alarms", "/system"):
        said = text(page, path)
        assert TITLE in said
        assert f"/alarms/{alarm.id}" in said
    said = text(page, f"/alarms/{alarm.id}")
    assert "Heatbook itself" in said
    assert DO in said
    assert "As it should be" in said
    assert "healthy truck" not in said
    assert "/trucks/@heatbook" not in said
    assert TITLE in text(page, "/alarms?kind=disk_short")
    assert TITLE not in text(page, "/alarms?kind=clock_wrong")


def test_the_api_gives_it_under_its_own_name(page: httpx.Client, alarm: Alarm) -> None:
    found = page.get("/api/v1/alarms?which=standing&kind=disk_short").json()["alarms"]
    ((name, title),) = {(each["truck"], each["title"]) for each in found}
    assert (name, title) == (OURSELVES, TITLE)
    one = page.get(f"/api/v1/alarms/{alarm.id}").json()
    assert one["alarm"]["evidence"] == {"free_mb.store": 900.0}


def test_who_would_be_told_of_it_can_be_asked(page: httpx.Client) -> None:
    said = text(page, f"/people?truck={OURSELVES}&kind=disk_short&priority=high")
    assert "Choose what the alarm is about" not in said
