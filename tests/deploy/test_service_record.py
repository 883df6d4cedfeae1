"""The functions that write in the service record: what each adds, and what none lets through."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from deploy.database import StoreError
from deploy.open_book import open_book
from ingest import record
from ingest.record import Entry
from models.course import run
from models.kernel import STATE
from models.layout import blank
from review import service_record as api
from review.entry_rules import CannotEnter, UnknownTruck
from review.service_record import Book, LabFindings
from tests.deploy.record_store import (
    DAY,
    FLEET,
    STRANGER,
    TRUCK,
    book,
    courses,
    heard,
    reader,
)
from tests.deploy.store import NOW_MS
from tests.recorded import HOUR_MS, NOON_MS, merged

AT_MS = NOON_MS + 2 * HOUR_MS

Write = Callable[[Book], Entry]

WRITES: dict[str, tuple[Write, Mapping[str, float], Mapping[str, str]]] = {
    "install": (
        lambda b: api.install_fill(
            b, TRUCK, AT_MS, fluid="slow", life_used=0.2, odometer_km=50_100.0
        ),
        {"life_used": 0.2, "odometer_km": 50_100.0},
        {"fluid": "slow"},
    ),
    "exchange": (
        lambda b: api.exchange_fluid(b, TRUCK, AT_MS, volume_l=11.5, filter_changed=True),
        {"volume_l": 11.5, "filter": 1.0},
        {},
    ),
    "pan_drop": (
        lambda b: api.drop_pan(b, TRUCK, AT_MS, volume_l=4.5, odometer_km=50_100.0),
        {"volume_l": 4.5, "odometer_km": 50_100.0},
        {},
    ),
    "filter": (lambda b: api.change_filter(b, TRUCK, AT_MS), {}, {}),
    "top_up": (lambda b: api.top_up(b, TRUCK, AT_MS, volume_l=0.5), {"volume_l": 0.5}, {}),
    "fluid_change": (
        lambda b: api.change_fluid(b, TRUCK, AT_MS, fluid="slow"),
        {},
        {"fluid": "slow"},
    ),
    "gearbox": (
        lambda b: api.replace_gearbox(
            b, TRUCK, AT_MS, words={"class": "heavy"}, numbers={"fluid_total_l": 20.0}
        ),
        {"fluid_total_l": 20.0},
        {"class": "heavy"},
    ),
    "circuit": (
        lambda b: api.change_circuit(b, TRUCK, AT_MS, words={"circuit": "full_flow"}),
        {},
        {"circuit": "full_flow"},
    ),
    "sample": (
        lambda b: api.add_sample(
            b, TRUCK, AT_MS, LabFindings(antioxidant=0.55, acid_mg_g=1.8, acid_new_mg_g=0.6)
        ),
        {"antioxidant": 0.55, "acid_mg_g": 1.8, "acid_new_mg_g": 0.6, "acid_rise_mg_g": 1.2},
        {},
    ),
}


@pytest.mark.parametrize("kind", WRITES)
def test_each_function_adds_its_entry_and_the_daemon_counts_it(
    tmp_path: Path, kind: str
) -> None:
    write, numbers, words = WRITES[kind]
    with heard(tmp_path) as (database, running):
        with book(database) as opened:
            entry = write(opened)
        assert (entry.id, entry.vehicle, entry.kind) == (1, TRUCK, kind)
        assert (entry.time_ms, entry.entered_ms, entry.who) == (AT_MS, NOW_MS, "Kim")
        assert entry.numbers == pytest.approx(dict(numbers))
        assert entry.words == words
        running.commit_record()
        with database.read() as conn:
            (stored,) = record.effective(conn, TRUCK, taken_only=True)
            assert stored == entry
        alone = blank(STATE)
        run(courses()(TRUCK, [entry]), alone, merged(DAY)[0])
        assert running.trucks[TRUCK].state.tobytes() == alone.tobytes()
        assert running.trucks[STRANGER].state.tobytes() != alone.tobytes()


def test_a_truck_that_the_fleet_file_does_not_name_is_registered(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, running):
        with book(database) as opened:
            entry = api.register_truck(
                opened,
                STRANGER,
                words={"title": "Rented", "circuit": "full_flow"},
                numbers={"fluid_total_l": 9.0},
            )
        assert entry.time_ms == NOW_MS
        running.commit_record()
        with database.read() as conn:
            vehicle = reader().truck(conn, STRANGER).vehicle
        assert (vehicle.title, vehicle.circuit, vehicle.fluid_total_l) == (
            "Rented",
            "full_flow",
            9.0,
        )
        assert vehicle.registered


def test_what_belonged_to_the_circuit_goes_with_it(tmp_path: Path) -> None:
    def truck() -> tuple[Any, ...]:
        running.commit_record()
        with database.read() as conn:
            vehicle = reader().truck(conn, TRUCK).vehicle
        valve = (vehicle.valve_open_c, vehicle.valve_full_c)
        return vehicle.circuit, vehicle.coolant_valve, vehicle.air_cooler, valve

    def change(hour: int, circuit: str, **numbers: float) -> None:
        words = {"circuit": circuit}
        with book(database) as opened:
            api.change_circuit(
                opened, TRUCK, AT_MS + hour * HOUR_MS, words=words, numbers=numbers
            )

    with heard(tmp_path) as (database, running):
        change(0, "coolant_exchanger", coolant_valve=1.0)
        assert truck() == ("coolant_exchanger", True, False, (70.0, 80.0))
        change(1, "coolant_exchanger", thermostat_full_c=85.0)
        assert truck() == ("coolant_exchanger", True, False, (70.0, 85.0))
        change(2, "radiator_tank", air_cooler=1.0)
        assert truck() == ("radiator_tank", False, True, (82.0, 96.0))
        change(3, "thermostatic_bypass")
        assert truck() == ("thermostatic_bypass", False, False, (82.0, 96.0))


Bad = Callable[[Book], Any]

BAD: dict[str, tuple[Bad, str]] = {
    "in the fleet file": (
        lambda b: api.register_truck(b, TRUCK),
        r"NF-01 is in the fleet file.*change \[vehicles\.NF-01\] there",
    ),
    "registered twice": (
        lambda b: [api.register_truck(b, STRANGER), api.register_truck(b, STRANGER)],
        "NF-09 is registered already, by entry 1; 'heatbook fleet correct 1'",
    ),
    "no name for a topic": (lambda b: api.register_truck(b, "NF 07/x"), "no name that a topic"),
    "no such truck": (
        lambda b: api.drop_pan(b, "NF-10", AT_MS),
        "no truck is named 'NF-10'.*the nearest known truck is 'NF-0[19]'.*fleet register",
    ),
    "no such fluid": (
        lambda b: api.change_fluid(b, TRUCK, AT_MS, fluid="slwo"),
        r"no fluid is named 'slwo'; add \[fluids\.slwo\].*nearest known fluid is 'slow'",
    ),
    "more than there is": (
        lambda b: api.drop_pan(b, TRUCK, AT_MS, volume_l=12.5),
        r"12\.5 L \(13\.2 qt\) are more than the 12\.0 L \(12\.7 qt\) that NF-01 holds",
    ),
    "in the future": (
        lambda b: api.drop_pan(b, TRUCK, NOW_MS + HOUR_MS),
        "the time lies in the future",
    ),
    "long ago": (lambda b: api.drop_pan(b, TRUCK, 0), "before the year 2000"),
    "no volume": (
        lambda b: api.top_up(b, TRUCK, AT_MS, volume_l=0.0),
        r"volume_l: is 0 L; give a number from 0\.05",
    ),
    "valve upside down": (
        lambda b: api.change_circuit(b, TRUCK, AT_MS, numbers={"thermostat_open_c": 100.0}),
        r"begin to open at 100 °C \(212 °F\) and be fully open at 96 °C",
    ),
    "no such fitting": (
        lambda b: api.change_circuit(
            b, TRUCK, AT_MS, words={"circuit": "full_flow"}, numbers={"air_cooler": 1.0}
        ),
        "air_cooler: NF-01 has a circuit 'full_flow' then.*say circuit 'radiator_tank' too",
    ),
    "no circuit": (
        lambda b: api.change_circuit(b, TRUCK, AT_MS, words={"circuit": "loop"}),
        "circuit: is 'loop'; use one of: thermostatic_bypass",
    ),
    "empty sample": (
        lambda b: api.add_sample(b, TRUCK, AT_MS, LabFindings()),
        "give at least one of: antioxidant",
    ),
    "acid number alone": (
        lambda b: api.add_sample(b, TRUCK, AT_MS, LabFindings(acid_mg_g=1.8)),
        "says nothing without that of new fluid",
    ),
    "stranger number": (
        lambda b: api.replace_gearbox(b, TRUCK, AT_MS, numbers={"volume_l": 4.0}),
        "an entry 'gearbox' has no volume_l",
    ),
    "no entry": (lambda b: api.correct(b, 5, note="x"), "no entry 5; 'heatbook fleet history"),
    "no reason": (
        lambda b: api.strike(b, api.drop_pan(b, TRUCK, AT_MS).id or 0, note=" "),
        "say why entry 1 is struck out",
    ),
}


@pytest.mark.parametrize("mistake", BAD)
def test_a_mistake_is_said_with_how_to_mend_it_and_nothing_is_entered(
    tmp_path: Path, mistake: str
) -> None:
    act, words = BAD[mistake]
    with heard(tmp_path) as (database, _):
        with pytest.raises((CannotEnter, UnknownTruck), match=words), book(database) as opened:
            act(opened)
        with database.read() as conn:
            assert record.vehicles(conn) == []


def test_all_of_one_opening_counts_or_nothing(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, _):
        with pytest.raises(CannotEnter), book(database) as opened:
            _two_of_which_the_second_is_bad(opened)
        with database.read() as conn:
            assert record.pending(conn) == []


def _two_of_which_the_second_is_bad(opened: Book) -> None:
    api.change_filter(opened, TRUCK, AT_MS)
    api.drop_pan(opened, TRUCK, AT_MS, volume_l=99.0)


def test_somebody_signs(tmp_path: Path) -> None:
    with (
        heard(tmp_path) as (database, _),
        book(database, who=" ") as opened,
        pytest.raises(CannotEnter, match="who: is empty"),
    ):
        api.change_filter(opened, TRUCK, AT_MS)


def test_no_store_is_made_for_a_record(tmp_path: Path) -> None:
    path = tmp_path / "none.db"
    opening = open_book(path, FLEET, who="Kim", now_ms=NOW_MS)
    with pytest.raises(StoreError, match="there is no store"):
        opening.__enter__()
    assert not path.exists()


def test_a_volume_is_measured_against_the_gearbox_of_its_date(tmp_path: Path) -> None:
    with heard(tmp_path) as (database, _), book(database) as opened:
        api.replace_gearbox(opened, TRUCK, AT_MS, numbers={"fluid_total_l": 20.0})
        assert api.drop_pan(opened, TRUCK, AT_MS + HOUR_MS, volume_l=15.0).id == 2
        with pytest.raises(CannotEnter, match="more than the 12"):
            api.drop_pan(opened, TRUCK, AT_MS - HOUR_MS, volume_l=15.0)
