"""What programs read at private addresses, over a real server, from a store with trucks."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import format_datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
import vobject
from icalendar import Calendar

from alerts.figure_reader import figures_of
from alerts.links import Address, Links, Purpose, change_key, ensure_key
from alerts.teller import Teller
from alerts.watch import EVERYBODY
from deploy import addresses
from deploy.clock import monotonic_ms
from deploy.database import Database
from deploy.service_calendar import ServiceCalendar
from deploy.web.feeds import Sources, feed_routes
from deploy.web.section import Web
from models.units import METRIC
from review.figures_json import plain
from review.model_version import model_version
from review.reading import Reader
from review.web.office import Office
from review.web.server import WebServer
from review.web.site import site
from tests.alerts.store import NOON, transition, write
from tests.deploy.record_store import AFTER_MS, FLEET, STRANGER, TRUCK, courses, heard

DAY_MS = 86_400_000
KEY = b"k" * 32
WEB = Web(public_url="https://fleet.northfold.example/heatbook/")


@dataclass
class Stand:
    """A server with what is needed to read from it; ``now_ms`` may be moved."""

    database: Database
    now_ms: int = AFTER_MS
    client: httpx.Client = field(default_factory=httpx.Client)

    def path(self, purpose: Purpose, scope: str = EVERYBODY) -> str:
        """Give the path of an address, as people are given it."""
        with self.database.read() as conn:
            written = addresses.url(conn, WEB, purpose, scope)
        assert written.startswith("https://fleet.northfold.example/heatbook/")
        return written.removeprefix("https://fleet.northfold.example/heatbook")

    def events(self, scope: str = EVERYBODY) -> dict[str, Any]:
        """Read a calendar; give its events by what they say first."""
        got = self.client.get(self.path(Purpose.CALENDAR, scope))
        assert got.status_code == 200
        found = Calendar.from_ical(got.content).walk("VEVENT")
        return {str(each["SUMMARY"]).split(":")[0]: each for each in found}


def routes(stand: Stand) -> Any:
    reader = Reader(
        fleet=FLEET, courses=courses(), now_ms=lambda: stand.now_ms, version=model_version()
    )
    names = {TRUCK: "Quarry run"}
    office = Office(
        database=stand.database,
        now_ms=lambda: stand.now_ms,
        uptime_ms=monotonic_ms,
        lifetime_ms=DAY_MS,
        teller=Teller(words={}, units=METRIC, names=names),
        caller=lambda _: None,
    )
    calendar = ServiceCalendar(
        database=stand.database, reader=reader, units=METRIC, names=names
    )

    def figures(conn: sqlite3.Connection, since_ms: int, until_ms: int) -> object:
        return plain(figures_of(conn, since_ms=since_ms, until_ms=until_ms))

    return feed_routes(office, Sources(calendar=calendar.feed, figures=figures))


@contextmanager
def opened(folder: Path) -> Iterator[Stand]:
    with heard(folder) as (database, running):
        running.flush()
        with database.write() as tx:
            ensure_key(tx, KEY, NOON)
        stand = Stand(database=database)
        server = WebServer(site(routes(stand)), bind="127.0.0.1", port=0)
        server.start()
        assert server.wait(10.0)
        assert server.address is not None
        host, port = server.address
        stand.client = httpx.Client(base_url=f"http://{host}:{port}", timeout=30.0)
        try:
            yield stand
        finally:
            stand.client.close()
            assert server.stop()


@pytest.fixture
def stand(tmp_path: Path) -> Iterator[Stand]:
    with opened(tmp_path) as found:
        yield found


def test_the_fleet_has_a_calendar_and_each_truck_its_own(stand: Stand) -> None:
    assert set(stand.events()) == {f"{TRUCK} Quarry run", STRANGER}
    assert set(stand.events(STRANGER)) == {STRANGER}
    assert stand.events("NF-02") == {}  # known, but never heard


def test_it_is_what_calendars_take(stand: Stand) -> None:
    got = stand.client.get(stand.path(Purpose.CALENDAR))
    assert got.headers["content-type"] == "text/calendar; charset=utf-8"
    assert got.headers["cache-control"] == "private, no-cache"
    assert "no-referrer" in got.headers["referrer-policy"]
    assert len(vobject.readOne(got.text).vevent_list) == 2


def test_a_reader_that_has_it_gets_nothing_again(stand: Stand) -> None:
    path = stand.path(Purpose.CALENDAR)
    first = stand.client.get(path)
    for known in (
        {"If-None-Match": first.headers["etag"]},
        {"If-None-Match": f'"other", W/{first.headers["etag"]}'},
        {"If-Modified-Since": first.headers["last-modified"]},
    ):
        again = stand.client.get(path, headers=known)
        assert (again.status_code, again.content) == (304, b"")
        assert again.headers["etag"] == first.headers["etag"]
    for unknown in (
        {"If-None-Match": '"other"'},
        {"If-Modified-Since": "Thu, 01 Jan 2015 00:00:00 GMT"},
        {"If-Modified-Since": "yesterday"},
    ):
        assert stand.client.get(path, headers=unknown).content == first.content


def test_a_head_says_the_same_without_the_calendar(stand: Stand) -> None:
    path = stand.path(Purpose.CALENDAR)
    whole, head = stand.client.get(path), stand.client.head(path)
    assert head.content == b""
    assert head.headers["etag"] == whole.headers["etag"]
    assert head.headers["content-length"] == str(len(whole.content))


def test_the_same_day_nothing_moves_and_the_next_it_may(stand: Stand) -> None:
    first = stand.events()[STRANGER]
    stand.now_ms += 3_600_000
    assert stand.events()[STRANGER] == first
    # The truck stands: each day that it does puts the date off.
    stand.now_ms += 20 * DAY_MS
    moved = stand.events()[STRANGER]
    assert moved["UID"] == first["UID"]
    assert moved["DTSTART"].dt > first["DTSTART"].dt
    assert moved["SEQUENCE"] == first["SEQUENCE"] + 1
    assert moved["LAST-MODIFIED"].dt == datetime.fromtimestamp(stand.now_ms // 1000, UTC)


def test_an_address_holds_over_new_keys_until_they_are_forgotten(stand: Stand) -> None:
    path = stand.path(Purpose.CALENDAR)
    with stand.database.write() as tx:
        change_key(tx, b"n" * 32, NOON)
    assert stand.client.get(path).status_code == 200
    with stand.database.write() as tx:
        change_key(tx, b"o" * 32, NOON, forget=True)
    assert stand.client.get(path).status_code == 404
    assert stand.client.get(stand.path(Purpose.CALENDAR)).status_code == 200


def test_an_address_that_was_changed_shows_nothing(stand: Stand) -> None:
    before, own = stand.path(Purpose.CALENDAR), stand.path(Purpose.CALENDAR, TRUCK)
    with stand.database.write() as tx:
        addresses.change(tx, Purpose.CALENDAR, EVERYBODY)
    assert stand.client.get(before).status_code == 410
    assert stand.client.get(stand.path(Purpose.CALENDAR)).status_code == 200
    assert stand.client.get(own).status_code == 200
    with stand.database.write() as tx:
        addresses.change(tx, Purpose.CALENDAR, EVERYBODY)
    assert stand.client.get(before).status_code == 410


def test_one_address_opens_no_other(stand: Stand) -> None:
    token = stand.path(Purpose.CALENDAR).removeprefix("/calendar/").removesuffix(".ics")
    assert stand.client.get(f"/figures/{token}").status_code == 404
    links = Links(keys=(KEY,), lifetime_ms=DAY_MS)
    unknown = links.address(Address(purpose=Purpose.CALENDAR, scope="x", edition=1))
    assert stand.client.get(f"/calendar/{unknown}.ics").status_code == 404
    assert stand.client.post(stand.path(Purpose.CALENDAR)).status_code == 405


def test_the_figures_are_json_over_the_days_that_are_asked_for(stand: Stand) -> None:
    with stand.database.write() as tx:
        old = stand.now_ms - 40 * DAY_MS
        write(tx, [transition(old, old, vehicle="NF-05")], vehicle="NF-05", now_ms=old)
    path = stand.path(Purpose.FIGURES)
    got = stand.client.get(path)
    assert got.headers["content-type"] == "application/json"
    assert got.headers["cache-control"] == "no-store"
    assert got.json()["load"]["alarms"] == 0
    assert stand.client.get(path, params={"days": 60}).json()["load"]["alarms"] == 1
    for odd in ("9" * 5000, "0", "-3", "x", "1e9", "99999999999999999999", "²"):
        assert stand.client.get(path, params={"days": odd}).status_code == 200


def test_a_date_in_a_header_is_that_of_http() -> None:
    """RFC 9110, section 5.6.7, its own example."""
    example = datetime(1994, 11, 6, 8, 49, 37, tzinfo=UTC)
    assert format_datetime(example, usegmt=True) == "Sun, 06 Nov 1994 08:49:37 GMT"
