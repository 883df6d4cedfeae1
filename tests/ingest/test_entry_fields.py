"""What an entry may say: the table itself, and what is refused by it."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given

import ingest
from deploy.fleet import VehicleTable
from ingest.entry import complete, examine_entry
from ingest.entry_fields import FLAGS, KINDS, NUMBERS, WORDS, examine, with_derived
from ingest.record import STRUCK, Entry
from ingest.record_cells import COLUMNS, OTHER_UNITS
from models.service import ENTRY, SERVICE_KINDS
from tests.ingest.told import DAY_MS, entries, entry
from tests.recorded import NOON_MS


def test_the_table_has_every_kind_that_the_models_know_and_the_striking_out() -> None:
    assert set(KINDS) == {*SERVICE_KINDS, STRUCK}


def test_every_number_that_the_models_read_can_be_told() -> None:
    told = {name for fields in KINDS.values() for name in fields.numbers}
    assert set(ENTRY.names or ()) - {"time_ms", "kind", "epoch"} <= told


def test_every_number_and_word_is_of_some_kind_and_has_a_column_of_its_own() -> None:
    told = [*NUMBERS, *WORDS]
    used = {name for fields in KINDS.values() for name in (*fields.numbers, *fields.words)}
    assert set(told) == used
    assert len(set(COLUMNS)) == len(COLUMNS)


@pytest.mark.parametrize("name", KINDS["register"].numbers)
def test_a_truck_may_be_registered_with_what_the_fleet_file_allows(name: str) -> None:
    allowed = VehicleTable.model_fields[name]
    if name in FLAGS:
        assert allowed.annotation is bool
        return
    bounds = _bounds(allowed.annotation) | _bounds(allowed)
    assert bounds == {NUMBERS[name].lowest, NUMBERS[name].highest}


@given(entries())
def test_whatever_the_table_allows_is_sound(one: Entry) -> None:
    assert examine_entry(one) == []


@pytest.mark.parametrize(
    ("kind", "numbers", "words", "found"),
    [
        ("pan_drop", {"volume_l": 100.5}, {}, "volume_l: is 100.5 L; give a number from 0.05 to 100 L"),
        ("pan_drop", {"volume_l": math.nan}, {}, "volume_l: is nan L; give a number from 0.05 to 100 L"),
        ("pan_drop", {"filter": 0.5}, {}, "filter: is 0.5; give 1 for yes, 0 for no"),
        (
            "filter",
            {"odometer": 61_310.0},
            {},
            "odometer: is not known; the nearest one it has is 'odometer_km'",
        ),
        (
            "filter",
            {"volume_l": 4.0},
            {},
            "volume_l: an entry 'filter' has no volume_l; the nearest one it has is 'odometer_km'",
        ),
        ("struck", {"volume_l": 4.0}, {}, "volume_l: an entry 'struck' has no volume_l; leave it out"),
        ("top_up", {}, {}, "volume_l: is missing; give it: an entry 'top_up' needs it"),
        ("fluid_change", {}, {}, "fluid: is missing; give it: an entry 'fluid_change' needs it"),
        ("fluid_change", {}, {"fluid": " "}, "fluid: is empty; write it, or leave it out"),
        (
            "circuit",
            {},
            {"circuit": "fullflow"},
            ("circuit: is 'fullflow'; use one of: thermostatic_bypass, full_flow, "
            "coolant_exchanger, radiator_tank"),
        ),
        (
            "circuit",
            {"thermostat_open_c": 90.0, "thermostat_full_c": 90.0},
            {},
            ("thermostat_open_c: the valve would begin to open at 90 °C and be fully open at 90 °C; "
            "give the temperature where it begins to open below the other"),
        ),
        (
            "sample",
            {"odometer_km": 1.0},
            {"laboratory": "works"},
            ("kind: an entry 'sample' that says nothing of what it is for; give at least one of: "
            "antioxidant, acid_rise_mg_g, oxidation, viscosity_change, water_share, glycol"),
        ),
        (
            "sample",
            {"acid_mg_g": 1.2},
            {},
            ("acid_mg_g: says nothing without that of new fluid of the same kind, measured alike; "
            "give acid_new_mg_g too"),
        ),
        (
            "sample",
            {"acid_mg_g": 1.5, "acid_new_mg_g": 0.5, "acid_rise_mg_g": 0.9},
            {},
            ("acid_rise_mg_g: is 0.9, but acid_mg_g and acid_new_mg_g make it 1; correct one of "
            "them, or leave acid_rise_mg_g out"),
        ),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_with_the_way_to_mend_it(
    kind: str, numbers: dict[str, float], words: dict[str, str], found: str
) -> None:
    assert [str(error) for error in examine(kind, numbers, words)] == [found]


def test_an_unknown_kind_names_the_nearest() -> None:
    (error,) = examine("pan_dorp", {}, {})
    assert error.where == "kind"
    assert error.mend.startswith("the nearest kind is 'pan_drop' (of register, ")


def test_what_follows_from_other_numbers_is_stored_with_them() -> None:
    told = {
        "acid_mg_g": 1.5,
        "acid_new_mg_g": 0.5,
        "viscosity_mm2_s": 5.4,
        "viscosity_new_mm2_s": 6.0,
    }
    assert with_derived(told) == {
        **told,
        "acid_rise_mg_g": 1.0,
        "viscosity_change": pytest.approx(-0.1),
    }
    assert examine_entry(complete(entry("sample", numbers=told))) == []


@pytest.mark.parametrize(
    ("more", "where"),
    [
        ({"vehicle": "NF 03"}, "vehicle"),
        ({"vehicle": ""}, "vehicle"),
        ({"who": " "}, "who"),
        ({"who": "K" * 101}, "who"),
        ({"note": "n" * 2001}, "note"),
        ({"note": "a\0b"}, "note"),
        ({"note": "\ud800"}, "note"),
        ({"key": ""}, "key"),
        ({"time_ms": 946_684_799_999}, "time"),
        ({"time_ms": NOON_MS + 2 * DAY_MS + 1}, "time"),
        ({"kind": STRUCK}, "supersedes"),
    ],
)
def test_an_entry_says_of_whom_by_whom_and_when(more: dict[str, Any], where: str) -> None:
    assert [error.where for error in examine_entry(entry(**more))] == [where]


def test_a_date_may_lie_a_day_ahead_for_the_sake_of_time_zones() -> None:
    assert examine_entry(entry(time_ms=NOON_MS + 2 * DAY_MS)) == []
    assert examine_entry(entry(time_ms=946_684_800_000)) == []


def _bounds(told: Any) -> set[float]:
    """Collect the bounds that a field of the fleet file has."""
    found: set[float] = set()
    for part in (*getattr(told, "__args__", ()), *getattr(told, "__metadata__", ())):
        found |= _bounds(part)
    for part in getattr(told, "metadata", ()) or ():
        found |= _bounds(part)
    found |= {getattr(told, name) for name in ("ge", "le") if hasattr(told, name)}
    return found


def test_the_page_of_the_package_names_every_kind_column_and_unit() -> None:
    page = Path(ingest.__file__).with_name("README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`(\w+)`", page))
    assert {*KINDS, *COLUMNS, *OTHER_UNITS} <= named
