"""``/services``: the list, a month, and the address of the calendar, over the invented day."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from alerts.links import KEY_BYTES, ensure_key
from alerts.policy import Policy
from deploy.around import Around
from deploy.clock import monotonic_ms
from deploy.service_calendar import ServiceCalendar
from deploy.web.console import house_of as daemons_house
from deploy.web.feeds import Sources, feed_routes
from deploy.web.section import Web
from models.units import METRIC
from review.access.visitor import Role
from review.console.screens import console_routes
from review.titles import Titles
from review.web.office import Office
from review.web.server import WebServer
from review.web.site import site
from tests.review.desk import forms
from tests.review.northfold_day import END_MS, day_store, fleet, reader
from tests.review.stage import Stage, account, sign_in, signed_in, stage


@pytest.fixture(scope="module")
def still(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("still")) as opened:
        yield opened


def test_what_is_overdue_comes_first_and_is_ticked(still: Stage) -> None:
    page = still.client.get("/services")
    assert page.status_code == 200
    rows = page.text.split("<tbody")[1].split("</tbody")[0].split("<tr")[1:]
    assert len(rows) == len(fleet().vehicles)
    assert "NF-07" in rows[0]
    assert "overdue" in rows[0]
    assert "distance: 24,397 km of 24,000 km driven (102%)" in rows[0]
    assert "not seen" in rows[0]
    (form,) = forms(page, "/services/sheet")
    assert form.fields == {"truck": "NF-07"}
    assert "These dates as a calendar" not in page.text  # nobody outside could follow it


@pytest.mark.parametrize(
    ("month", "heading", "trucks"),
    [
        ("", "June 2026", {"NF-07"}),
        ("2027-09", "September 2027", {"NF-04", "NF-06"}),
        ("2026-05", "May 2026", set()),
        ("2026-13", "June 2026", {"NF-07"}),
        ("9999-12", "June 2026", {"NF-07"}),
        ("nonsense", "June 2026", {"NF-07"}),
    ],
)
def test_a_month_shows_who_is_due_in_it(
    still: Stage, month: str, heading: str, trucks: set[str]
) -> None:
    page = still.client.get(f"/services?month={month}")
    assert page.status_code == 200
    calendar = page.text.split('id="calendar"')[1].split('id="together"')[0]
    assert f">{heading}</h2>" in calendar
    table = calendar.split("<tbody>")[1].split("</tbody>")[0]
    assert {name for name in fleet().vehicles if f">{name}" in table} == trucks
    by_week = calendar.split('class="by-week"')[1]
    assert {name for name in fleet().vehicles if f">{name}<" in by_week} == trucks


def test_two_trucks_of_one_week_could_come_together(still: Stage) -> None:
    text = still.client.get("/services").text.split('id="together"')[1]
    assert "13 September 2027 to 19 September 2027" in text
    assert "/services/sheet?truck=NF-06&amp;truck=NF-04" in text


def test_a_viewer_is_offered_no_entry(still: Stage) -> None:
    with signed_in(still, Role.VIEWER) as kim:
        assert "/service" + '"' not in kim.get("/services").text


@contextmanager
def followed(folder: Path) -> Iterator[httpx.Client]:
    """Serve the console as the daemon puts it together, with the calendars beside it; signed in."""
    database = day_store(folder)
    with database.write() as tx:
        ensure_key(tx, b"k" * KEY_BYTES, END_MS)
    names = Titles(fleet(), database)
    calendar = ServiceCalendar(database=database, reader=reader(), units=METRIC, names=names)
    house = daemons_house(Web(), database, Policy(), calendar, Around())
    house.board.refresh()
    office = Office(
        database=database,
        now_ms=lambda: END_MS,
        uptime_ms=monotonic_ms,
        lifetime_ms=1,
        teller=house.teller(METRIC),
        caller=lambda key: None,
        origins=frozenset(),
    )
    feeds = feed_routes(office, Sources(calendar=calendar.feed, figures=lambda *_: None))
    server = WebServer(site(console_routes(house), feeds), bind="127.0.0.1", port=0)
    server.start()
    try:
        assert server.wait(10.0)
        assert server.address is not None
        with httpx.Client(base_url=f"http://127.0.0.1:{server.address[1]}") as client:
            sign_in(client, house, account(database, Role.VIEWER))
            yield client
    finally:
        assert server.stop()
        database.close()


def test_the_daemons_page_leads_to_a_calendar_that_can_be_followed(tmp_path: Path) -> None:
    with followed(tmp_path) as client:
        before = client.get("/services").text.split("These dates as a calendar")[0]
        address = before.rsplit('href="', 1)[1].split('"')[0]
        feed = client.get("/calendar/" + address.split("/calendar/")[1])
    assert feed.status_code == 200
    assert feed.headers["content-type"].startswith("text/calendar")
    assert "NF-07" in feed.text
