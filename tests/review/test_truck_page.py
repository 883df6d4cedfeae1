"""A truck's page over the invented fleet's day."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from deploy.database import Database
from models.fleet import Vehicle
from models.units import METRIC, US
from review.access.visitor import Role
from review.board_fleet import FleetLive
from review.console.truck import truck_page
from review.console.truck_facts import band_hours, limits_used, signal_facts, speed
from review.console.visit import LIVE_PART
from review.record_book import Book
from review.service_record import drop_pan
from tests.review.northfold_day import END_MS, fleet
from tests.review.stage import Stage, house_of, signed_in, stage
from tests.review.test_attention import signals, truck
from tests.review.test_today import Counting, Still, visit


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with stage(tmp_path_factory.mktemp("truck")) as found:
        yield found


def test_it_says_what_is_wrong_and_draws_where(at: Stage) -> None:
    page = at.client.get("/trucks/NF-03").text
    assert page.index("Cooler bypass valve stuck") < page.index('class="schematic"')
    assert 'class="sc-flag"' in page
    assert "hot fluid goes back to the gearbox, past the cooler" in page
    assert "Cooler flow last proven" in page


def test_it_shows_account_and_forecast_with_their_doubt(at: Stage) -> None:
    page = at.client.get("/trucks/NF-03").text
    account = at.house.board.now().trucks["NF-03"].account
    assert account is not None
    assert (
        f"{account.life_used:.0%} (8 in 10: {account.life_low:.0%} to {account.life_high:.0%})"
        in page
    )
    assert "Mean kinetic temperature" in page
    assert "Service due about 9 April 2027 (8 in 10:" in page
    assert "Service comes at the first limit" in page


def test_it_says_what_a_truck_does_not_send_and_what_that_costs(at: Stage) -> None:
    page = at.client.get("/trucks/NF-03").text
    assert "Not sent by this truck" in page
    assert "estimated from engine and road speed" in page


def test_hours_by_band_are_all_hours(at: Stage) -> None:
    for found in at.house.board.now().trucks.values():
        assert found.account is not None
        bands = band_hours(found.account, METRIC)
        total = sum(hours for _, hours, _ in bands)
        assert total == pytest.approx(sum(found.account.bins) / 3600.0)
        assert sum(share for _, _, share in bands) == pytest.approx(1.0)


def test_what_was_done_to_it_stands_there(tmp_path: Path) -> None:
    with stage(tmp_path) as at:
        with at.database.write() as tx:
            book = Book(tx=tx, fleet=fleet(), who="Omar", now_ms=END_MS)
            drop_pan(book, "NF-02", END_MS - 86_400_000, volume_l=5.0, note="pan <clean>")
        page = at.client.get("/trucks/NF-02").text
    assert "Pan drop" in page
    assert "5.0 L" in page
    assert "pan &lt;clean&gt;" in page


def test_a_truck_that_is_none_is_said_to_be_none(at: Stage) -> None:
    answer = at.client.get("/trucks/NF-3")
    assert answer.status_code == 404
    assert "There is no truck NF-3." in answer.text
    assert "NF-03" in answer.text
    assert "Today lists all trucks." in at.client.get("/trucks/zebra").text


def test_a_viewer_is_not_offered_to_record(at: Stage) -> None:
    with signed_in(at, Role.VIEWER) as client:
        assert "/trucks/NF-03/service" not in client.get("/trucks/NF-03").text
    assert "/trucks/NF-03/service" in at.client.get("/trucks/NF-03").text


def test_a_truck_never_heard_is_not_called_sound(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    house = house_of(database)
    asked = visit(house)
    asked.request.scope["path_params"] = {"truck": "NF-03"}
    page = bytes(truck_page(asked).body).decode()
    assert "It was never heard: nothing is known of it." in page
    assert "No account: no sample of it was ever taken in." in page
    assert "Nothing of it needs you" not in page
    database.close()


def test_while_it_is_being_read_that_is_said(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db", synchronous="off")
    empty = FleetLive(epoch="0", at_ms=END_MS, known=("NF-03", "NF-04"))
    asked = visit(replace(house_of(database), board=Still(empty)))
    asked.request.scope["path_params"] = {"truck": "NF-03"}
    answer = truck_page(asked)
    assert answer.status_code == 503
    assert "0 of 2 trucks are read." in bytes(answer.body).decode()
    database.close()


@pytest.mark.parametrize("part", ["stands", "now", "account"])
def test_its_live_parts_need_no_store(tmp_path: Path, part: str) -> None:
    database = Counting(tmp_path / "heatbook.db", synchronous="off")
    house = house_of(database)
    asked = visit(house, headers={LIVE_PART: part})
    asked.request.scope["path_params"] = {"truck": "NF-03"}
    before = Counting.reads
    page = bytes(truck_page(asked).body).decode()
    assert Counting.reads == before
    assert f'data-live="{part}"' in page
    assert "<html" not in page
    database.close()


def test_signals_are_told_in_the_reader_s_units() -> None:
    seen = truck(
        vehicle=Vehicle(name="NF-03"),
        signals=replace(
            signals(moving=True),
            fluid_c=100.0,
            speed_km_h=160.9344,
            gear=-1,
            lockup=True,
            slip_rpm=12.0,
            torque_nm=425.0,
        ),
    )
    us = {fact.about: (fact.text, fact.note) for fact in signal_facts(seen, US)}
    assert us["Fluid"] == ("212 °F", "")
    assert us["Speed"] == ("100 mph", "")
    assert us["Gear"] == ("Reverse", "")
    assert us["Lockup"] == ("on", "slips by 12 rpm")
    assert us["Load"] == ("50%", "425 N·m")
    assert "Outside air" not in us
    assert speed(80.0, METRIC) == "80 km/h"


def test_each_limit_of_the_service_has_its_share(at: Stage) -> None:
    due = at.house.board.now().trucks["NF-07"].due
    assert due is not None
    used = {each.about: each.share for each in limits_used(due, METRIC)}
    assert set(used) == {"Heat", "Distance", "Age"}
    assert used["Distance"] >= 1.0


def test_every_id_on_the_page_is_its_own(at: Stage) -> None:
    for path in ("/", "/trucks/NF-03"):
        ids = re.findall(r'\sid="([^"]+)"', at.client.get(path).text)
        assert len(ids) == len(set(ids))
