"""The fleet file: what it says, what it leaves out, and every mistake in it."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from deploy.fleet import LimitsTable, VehicleTable, load_fleet, parse_fleet
from deploy.fluids import FluidTable
from deploy.keys import fields
from models.fleet import CHART, CHART_ROWS, Fleet, Fluid, Limits, Vehicle
from models.units import KM_PER_MILE
from review.problems import BadSettings, Problem

EXAMPLE = Path(__file__).parents[2] / "deploy" / "example-fleet.toml"


def parse(text: str, zone: str = "UTC") -> Fleet:
    return parse_fleet(tomllib.loads(text), where="fleet.toml", zone=ZoneInfo(zone))


def problems(text: str) -> dict[str, Problem]:
    with pytest.raises(BadSettings) as caught:
        parse(text)
    assert caught.value.exit_code == 78
    return {
        problem.path.removeprefix("fleet.toml: "): problem for problem in caught.value.problems
    }


def test_the_example() -> None:
    fleet = load_fleet(EXAMPLE)
    assert list(fleet.vehicles) == ["NF-01", "NF-02", "NF-03"]
    first = fleet.vehicles["NF-01"]
    assert first == Vehicle(
        name="NF-01",
        title="Recovery truck 1",
        installed_ms=1_768_435_200_000,
        installed_odometer_km=84_210.0,
        thermostat_open_c=82.0,
        thermostat_full_c=96.0,
        rated_torque_nm=850.0,
        limits=Limits(
            over_temperature_c=121.0,
            over_temperature_critical_c=140.0,
            service_distance_km=48_000.0,
            service_days=730.0,
            service_life_share=0.9,
        ),
    )
    assert fleet.fluid_of(first) is CHART
    assert fleet.fluid_of(fleet.vehicles["NF-02"]) == Fluid(
        name="low-viscosity",
        activation_energy_j_mol=80_000.0,
        reference_temp_c=80.0,
        reference_life_s=6000.0 * 3600.0,
        film_temp_c=106.0,
        kv40_mm2_s=18.5,
        kv100_mm2_s=4.45,
    )
    assert (fleet.vehicles["NF-03"].thermal_class, fleet.vehicles["NF-03"].sensor) == (
        "heavy",
        "converter_out",
    )


def test_the_example_holds_every_key() -> None:
    table = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
    vehicle = table["vehicles"]["NF-01"]
    assert set(vehicle) == set(fields(VehicleTable))
    assert set(vehicle["limits"]) == set(fields(LimitsTable))
    own, by_chart = table["fluids"]["low-viscosity"], table["fluids"]["from-its-chart"]
    assert set(own) | set(by_chart) == set(fields(FluidTable))
    assert set(by_chart) == {"chart"}


def test_a_truck_needs_nothing_but_its_name() -> None:
    fleet = parse("[vehicles.NF-07]\n")
    assert fleet.vehicles["NF-07"] == Vehicle(name="NF-07", title="NF-07")
    assert fleet.vehicle("NF-99") == Vehicle(name="NF-99", title="NF-99", registered=False)
    assert parse("") == Fleet()


def test_the_usual_valve_goes_by_the_circuit() -> None:
    # Common practice, no source: the coolant's valve opens lower than a bypass valve.
    fleet = parse(
        "[vehicles.a]\n[vehicles.b]\ncircuit = 'coolant_exchanger'\ncoolant_valve = true\n"
        "[vehicles.c]\ncircuit = 'coolant_exchanger'\nthermostat_full_c = 88\n"
    )
    valves = {
        name: (truck.valve_open_c, truck.valve_full_c) for name, truck in fleet.vehicles.items()
    }
    assert valves == {"a": (82.0, 96.0), "b": (70.0, 80.0), "c": (70.0, 88.0)}


def test_a_circuit_may_have_its_fitting() -> None:
    fleet = parse(
        "[vehicles.a]\ncircuit = 'coolant_exchanger'\ncoolant_valve = true\n"
        "[vehicles.b]\ncircuit = 'radiator_tank'\nair_cooler = true\n"
        "[vehicles.c]\ncoolant_valve = false\n"
    )
    fitted = [(truck.coolant_valve, truck.air_cooler) for truck in fleet.vehicles.values()]
    assert fitted == [(True, False), (False, True), (False, False)]


def test_the_built_in_fluid_is_the_chart_at_the_stated_speed() -> None:
    # The trade's fluid-life chart, 100,000 miles at 175 °F in both variants; no primary source.
    assert CHART.reference_temp_c == pytest.approx(79.44, abs=0.005)
    assert CHART.reference_life_s / 3600.0 == pytest.approx(3333.0, abs=0.5)
    km = CHART.reference_life_s * (30.0 * KM_PER_MILE / 3600.0)
    assert km == pytest.approx(100_000 * KM_PER_MILE)


def test_every_built_in_fluid_is_there_without_being_written() -> None:
    fleet = parse("[vehicles.NF-01]\nfluid = 'chart-rows'\n[fluids.x]\n")
    assert fleet.fluid_of(fleet.vehicles["NF-01"]) is CHART_ROWS
    assert set(fleet.fluids) == {"chart", "chart-rows", "x"}
    assert fleet.fluids["x"] == replace(CHART, name="x")


@pytest.mark.parametrize(
    ("written", "zone", "expected"),
    [
        ("2026-01-15", "UTC", datetime(2026, 1, 15, tzinfo=UTC)),
        ('"2026-01-15"', "UTC", datetime(2026, 1, 15, tzinfo=UTC)),
        ("2026-01-15", "Etc/GMT-3", datetime(2026, 1, 14, 21, tzinfo=UTC)),
        ("2026-01-15T08:00:00", "Etc/GMT-3", datetime(2026, 1, 15, 5, tzinfo=UTC)),
        ("2026-01-15T08:00:00+01:00", "Etc/GMT-3", datetime(2026, 1, 15, 7, tzinfo=UTC)),
        ('"2026-01-15T08:00:00Z"', "Etc/GMT-3", datetime(2026, 1, 15, 8, tzinfo=UTC)),
    ],
)
def test_installation_dates(written: str, zone: str, expected: datetime) -> None:
    vehicle = parse(f"[vehicles.NF-01]\ninstalled = {written}\n", zone).vehicles["NF-01"]
    assert vehicle.installed_ms == int(expected.timestamp()) * 1000


@pytest.mark.parametrize(
    ("text", "path", "near"),
    [
        ("[vehicle.NF-01]\n", "vehicle", "vehicles"),
        ("[vehicles.NF-01]\ncircut = 'full_flow'\n", "vehicles.NF-01.circut", "circuit"),
        ("[vehicles.NF-01]\nclas = 'heavy'\n", "vehicles.NF-01.clas", "class"),
        (
            "[vehicles.NF-01.limits]\nservice_day = 3\n",
            "vehicles.NF-01.limits.service_day",
            "service_days",
        ),
        (
            "[vehicles.NF-01]\ncoolant_valv = true\n",
            "vehicles.NF-01.coolant_valv",
            "coolant_valve",
        ),
        ("[fluids.x]\nfilm_temp = 100\n", "fluids.x.film_temp", "film_temp_c"),
    ],
)
def test_an_unknown_key_names_the_nearest(text: str, path: str, near: str) -> None:
    found = problems(text)
    assert found[path].what == "unknown key"
    assert found[path].mend == f"the nearest known key is {near!r}"


def test_the_name_of_the_field_inside_is_no_key() -> None:
    assert "vehicles.NF-01.thermal_class" in problems(
        "[vehicles.NF-01]\nthermal_class = 'heavy'\n"
    )


@pytest.mark.parametrize(
    ("line", "path", "words"),
    [
        ("circuit = 'open'", "circuit", "thermostatic_bypass"),
        ("cooler = 3", "cooler", "stacked_plate"),
        ("class = 'car'", "class", "pickup"),
        ("sensor = 'pan'", "sensor", "sump"),
        ("fluid = 'water'", "fluid", "add [fluids.water]"),
        ("fluid = 3", "fluid", "valid string"),
        ("fluid_total_l = 0", "fluid_total_l", "greater than or equal to 1"),
        ("fluid_total_l = '12'", "fluid_total_l", "valid number"),
        ("fluid_total_l = true", "fluid_total_l", "valid number"),
        ("life_used_at_start = -0.1", "life_used_at_start", "greater than or equal to 0"),
        ("life_used_at_start = nan", "life_used_at_start", "finite"),
        ("installed = 'soon'", "installed", "write a date"),
        ("installed = 5", "installed", "datetime"),
        ("installed_odometer_km = -1", "installed_odometer_km", "greater than or equal to 0"),
        ("rated_torque_nm = 1e9", "rated_torque_nm", "less than or equal to 10000"),
        ("limits = 3", "limits", ""),
        ("thermostat_open_c = 97", "thermostat_open_c", "82 and 96"),
        ("thermostat_full_c = 82", "thermostat_open_c", "below thermostat_full_c"),
        (
            "limits.over_temperature_c = 140\nlimits.over_temperature_critical_c = 140",
            "limits.over_temperature_critical_c",
            "raise it",
        ),
        (
            "circuit = 'coolant_exchanger'\nthermostat_open_c = 81",
            "thermostat_open_c",
            "70 and 80",
        ),
        ("coolant_valve = true", "coolant_valve", "circuit = 'coolant_exchanger'"),
        (
            "circuit = 'coolant_exchanger'\nair_cooler = true",
            "air_cooler",
            "circuit = 'radiator_tank'",
        ),
        ("air_cooler = 1", "air_cooler", "valid boolean"),
        ("limits.service_days = 0", "limits.service_days", "greater than 0"),
    ],
)
def test_bad_values_name_truck_and_key(line: str, path: str, words: str) -> None:
    found = problems(f"[vehicles.NF-01]\n{line}\n")
    assert words in found[f"vehicles.NF-01.{path}"].mend


def test_a_name_no_topic_can_carry() -> None:
    assert "as in the topic" in problems("[vehicles.'NF 01']\n")["vehicles.NF 01"].mend


@pytest.mark.parametrize("name", ["chart", "chart-rows"])
def test_a_built_in_fluid_cannot_be_changed(name: str) -> None:
    assert f"fluids.{name}" in problems(f"[fluids.{name}]\nfilm_temp_c = 100\n")


def test_every_mistake_is_told_at_once() -> None:
    found = problems(
        "colour = 1\n[vehicles.NF-01]\ncolour = 1\nthermostat_open_c = 99\nfluid = 'x'\n"
        "[vehicles.NF-02]\ncooler = 'big'\n[fluids.y]\nreference_life_h = 0\n"
    )
    assert set(found) == {
        "colour",
        "vehicles.NF-01.colour",
        "vehicles.NF-01.thermostat_open_c",
        "vehicles.NF-01.fluid",
        "vehicles.NF-02.cooler",
        "fluids.y.reference_life_h",
    }


@pytest.mark.parametrize("text", ["vehicles = 3\n", "vehicles = [1]\n", "fluids = 'x'\n"])
def test_tables_that_are_none(text: str) -> None:
    assert problems(text)


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    broken, binary = tmp_path / "broken.toml", tmp_path / "binary.toml"
    broken.write_text("[vehicles\n")
    binary.write_bytes(b"\xff")
    for file, words in (
        (tmp_path / "none.toml", "does not exist"),
        (broken, "line 1"),
        (binary, "not UTF-8"),
        (tmp_path, "cannot be read"),
    ):
        with pytest.raises(BadSettings, match=words):
            load_fleet(file)
