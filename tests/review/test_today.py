"""Today over the invented fleet's day, and over five hundred trucks without the store."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest
from starlette.requests import Request

from deploy.clock import monotonic_ms
from deploy.database import Database
from models.units import METRIC, US
from review.access.visitor import Role, Visitor
from review.board import Board
from review.board_fleet import FleetLive
from review.console.house import House
from review.console.today import MOST_CARDS, SORTED, Asked, headline, today
from review.console.visit import LIVE_PART, Visit
from tests.review.big_fleet import big_reader, big_store
from tests.review.northfold_day import day_store
from tests.review.stage import Stage, house_of, signed_in, stage

TRUCKS = 500


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("today")) as found:
        yield found


class Counting(Database):
    """The store, which counts how often it is read."""

    reads = 0

    @contextmanager
    def read(self) -> Iterator[sqlite3.Connection]:
        type(self).reads += 1
        with super().read() as conn:
            yield conn


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    path = tmp_path_factory.mktemp("many") / "heatbook.db"
    big_store(path, TRUCKS).close()
    database = Counting(path, synchronous="off")
    reads = big_reader(TRUCKS)
    board = Board(database, reads, groups={}, uptime_ms=monotonic_ms)
    board.refresh()
    house = house_of(database, reader_=reads)
    yield replace(house, board=board, groups={})
    database.close()


def visit(house: House, query: str = "", headers: dict[str, str] | None = None) -> Visit:
    listed = [(name.encode(), value.encode()) for name, value in (headers or {}).items()]
    scope = {
        "type": "http",
        "method": "GET",
        "path": "/",
        "query_string": query.encode(),
        "headers": listed,
    }
    who = Visitor(name="Ines", role=Role.MANAGER, units=METRIC, csrf="x")
    return Visit(house=house, request=Request(scope), visitor=who)


def rows(text: str) -> list[str]:
    return re.findall(r'<tr role="row" data-key="([^"]+)"', text)


def cards(text: str) -> list[str]:
    return re.findall(r'<article class="card need[^>]*data-key="([^"]+)"', text)


def test_the_truck_at_fault_comes_first_with_its_cause(at: Stage) -> None:
    page = at.client.get("/").text
    assert cards(page) == ["NF-03", "NF-07", "NF-05"]
    first = page.index('data-key="NF-03"')
    assert "Cooler bypass valve stuck" in page[first : page.index('data-key="NF-07"')]
    assert "3 of 10 trucks need somebody." in page
    assert rows(page)[:3] == ["NF-03", "NF-07", "NF-05"]
    assert len(rows(page)) == 10


def test_what_is_over_is_said_to_be_over_and_not_to_stop_for(at: Stage) -> None:
    page = at.client.get("/").text
    card = page[page.index('data-key="NF-05"') :]
    assert "It is over" in card
    assert "Nothing at once" in card


def test_a_viewer_is_offered_nothing_to_acknowledge(at: Stage) -> None:
    with signed_in(at, Role.VIEWER) as client:
        assert "/acknowledge" not in client.get("/").text
    with signed_in(at, Role.TECHNICIAN) as client:
        assert client.get("/").text.count('action="/alarms/acknowledge"') == 4


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ("find=nf-04", ["NF-04"]),
        ("find=QUARRY", ["NF-03"]),
        ("find=nothing+like+it", []),
        ("group=quarry", ["NF-03", "NF-04"]),
        ("show=needs", ["NF-03", "NF-07", "NF-05"]),
        ("show=driving", ["NF-08", "NF-09", "NF-10"]),
        ("show=unseen", []),
        ("sort=bogus&find=nf-1", ["NF-10"]),
    ],
)
def test_it_can_be_searched_without_a_script(at: Stage, query: str, found: list[str]) -> None:
    assert rows(at.client.get(f"/?{query}").text) == found


def test_every_order_lists_every_truck(at: Stage) -> None:
    for order in SORTED:
        assert len(rows(at.client.get(f"/?sort={order}").text)) == 10
    by_name = rows(at.client.get("/?sort=name").text)
    assert by_name == sorted(by_name)
    assert rows(at.client.get("/?sort=fluid").text)[0] == "NF-03"
    assert rows(at.client.get("/?sort=life").text)[0] == "NF-03"
    assert rows(at.client.get("/?sort=service").text)[0] == "NF-07"
    assert rows(at.client.get("/?sort=newest").text)[0] == "NF-03"


def test_what_people_write_is_escaped(at: Stage) -> None:
    page = at.client.get("/", params={"find": '"><script>alert(1)</script>'}).text
    assert "<script>alert" not in page


def test_a_part_of_the_page_is_given_alone(at: Stage) -> None:
    part = at.client.get("/", headers={LIVE_PART: "needs"}).text
    assert "<html" not in part
    assert cards(part) == ["NF-03", "NF-07", "NF-05"]
    some = at.client.get("/", headers={LIVE_PART: "fleet", "Live-Keys": "NF-02,NF-09"}).text
    assert "<html" not in some
    assert sorted(rows(some)) == ["NF-02", "NF-09"]
    assert "<html" in at.client.get("/", headers={LIVE_PART: "no such part"}).text


def test_an_acknowledgement_from_the_page_shows_on_it_at_once(tmp_path: Path) -> None:
    with stage(tmp_path, role=Role.TECHNICIAN) as at:
        page = at.client.get("/").text
        seen = re.search(r'name="seen" value="([^"]+)"', page)
        assert seen is not None
        answer = at.client.post(
            "/alarms/acknowledge", data={"seen": seen[1], "next": "/"}, follow_redirects=True
        )
        assert answer.status_code == 200
        assert "Omar knows, since" in answer.text


def test_fahrenheit_is_shown_to_who_wants_it(tmp_path: Path) -> None:
    with stage(tmp_path, units=US) as at:
        page = at.client.get("/").text
    assert "202 °F" in page
    assert "°C" not in page


def test_while_trucks_are_read_it_says_how_many_are(tmp_path: Path) -> None:
    database = day_store(tmp_path)
    house = house_of(database)
    half = dict(list(house.board.now().trucks.items())[:4])
    fleet = replace(house.board.now(), trucks=half)
    assert headline(fleet, []) == "Still reading: 4 of 10 trucks."
    database.close()


def test_a_fleet_of_which_nothing_was_heard_is_not_called_fine(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    house = house_of(database)
    text = body(visit(house))
    assert "No truck was heard yet." in text
    assert "Nothing needs you" not in text
    assert "10 never heard" in text
    database.close()


def body(of: Visit) -> str:
    return bytes(today(of).body).decode()


def test_five_hundred_trucks_are_shown_without_the_store(many: House) -> None:
    before = Counting.reads
    page = body(visit(many))
    assert len(rows(page)) == TRUCKS
    assert sorted(cards(page)) == [f"BF-{number:03}" for number in range(7, TRUCKS, 100)]
    for query in ("find=yard+3", "show=needs", "sort=fluid"):
        body(visit(many, query))
    body(visit(many, headers={LIVE_PART: "needs"}))
    assert Counting.reads == before


def test_a_flood_is_told_as_far_as_it_can_be_read(tmp_path: Path) -> None:
    """The most urgent in full, the others counted; the table has them all."""
    database = day_store(tmp_path)
    house = house_of(database)
    fleet = house.board.now()
    sick = fleet.trucks["NF-03"]
    names = [f"NF-{number}" for number in range(100, 100 + 3 * MOST_CARDS)]
    flood = {name: replace(sick, name=name) for name in names}
    text = body(
        visit(replace(house, board=Still(replace(fleet, trucks=flood, known=tuple(flood)))))
    )
    assert len(cards(text)) == MOST_CARDS
    assert f"{2 * MOST_CARDS} more that need somebody" in text
    assert len(rows(text)) == 3 * MOST_CARDS
    database.close()


class Still(Board):
    """A board at one moment."""

    def __init__(self, fleet: FleetLive) -> None:
        self._fleet = fleet


def test_the_counter_counts(many: House) -> None:
    before = Counting.reads
    many.board.look()
    assert Counting.reads == before + 1


def test_who_is_not_signed_in_is_sent_to_sign_in(at: Stage) -> None:
    answer = httpx.get(at.url + "/")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/sign-in"


def test_an_address_asks_for_what_it_says() -> None:
    query: dict[str, Any] = {"find": " quarry ", "group": "x", "show": "needs", "sort": "life"}
    asked = Asked.of(query)
    assert asked == Asked(words="quarry", group="x", show="needs", sort="life")
    assert asked.narrowed
    assert not Asked.of({"find": "x"}).narrowed
