"""Read the fleet file: TOML into the trucks and fluids, all errors of the file at once."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime, time, tzinfo
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError

from deploy.fluids import FluidTable, fluid_checks, fluid_of
from deploy.problems import problems_of
from deploy.settings import Loaded
from deploy.toml_file import read_toml
from ingest.wire import vehicle_name
from models.fleet import (
    BUILT_IN_FLUIDS,
    CHART_FLUID,
    FITTINGS,
    Circuit,
    Cooler,
    Fleet,
    Limits,
    Sensor,
    ThermalClass,
    Vehicle,
    usual_valve_c,
)
from review.problems import BadSettings, Problem, nearest


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


def _as_moment(value: object) -> object:
    """Read an installation date or time; a date alone is its midnight, in the fleet's zone."""
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value)
        except ValueError:
            msg = f"is {value!r}; write a date, 2026-01-15, or a time, 2026-01-15T08:00:00Z"
            raise ValueError(msg) from None
    if isinstance(value, date) and not isinstance(value, datetime):
        value = datetime.combine(value, time())
    return value


Celsius = Annotated[float, Field(ge=30.0, le=200.0)]
Moment = Annotated[datetime, BeforeValidator(_as_moment)]
GroupName = Annotated[str, Field(min_length=1, max_length=64)]


class LimitsTable(_Table):
    """``[vehicles.NAME.limits]``."""

    over_temperature_c: Celsius | None = None
    over_temperature_critical_c: Celsius | None = None
    service_distance_km: Annotated[float, Field(gt=0.0, le=1e6)] | None = None
    service_days: Annotated[float, Field(gt=0.0, le=36_500.0)] | None = None
    service_life_share: Annotated[float, Field(gt=0.0, le=2.0)] | None = None


class VehicleTable(_Table):
    """``[vehicles.NAME]``."""

    name: Annotated[str, Field(max_length=100)] = ""
    circuit: Circuit = "thermostatic_bypass"
    cooler: Cooler = "stacked_plate"
    fluid: str = CHART_FLUID
    fluid_total_l: Annotated[float, Field(ge=1.0, le=100.0)] = 12.0
    thermostat_open_c: Annotated[float, Field(ge=30.0, le=150.0)] | None = None
    thermostat_full_c: Annotated[float, Field(ge=30.0, le=150.0)] | None = None
    coolant_valve: bool = False
    air_cooler: bool = False
    thermal_class: ThermalClass = Field(default="medium", alias="class")
    sensor: Sensor = "sump"
    installed: Moment | None = None
    installed_odometer_km: Annotated[float, Field(ge=0.0, le=1e7)] | None = None
    life_used_at_start: Annotated[float, Field(ge=0.0, le=10.0)] = 0.0
    rated_torque_nm: Annotated[float, Field(ge=20.0, le=10_000.0)] | None = None
    groups: list[GroupName] = []
    limits: LimitsTable = LimitsTable()


class FleetFile(_Table):
    """The whole file."""

    vehicles: dict[str, VehicleTable] = {}
    fluids: dict[str, FluidTable] = {}


def load_fleet(path: Path, *, zone: tzinfo = UTC) -> Fleet:
    """Read a fleet file; ``zone`` is that of dates written without an offset.

    Raises
    ------
    BadSettings
        With every problem of the file.
    """
    return parse_fleet(read_toml(path), where=str(path), zone=zone)


def fleet_of(loaded: Loaded) -> Fleet:
    """Read the fleet that the settings name; without a file no truck is registered.

    Raises
    ------
    BadSettings
        With every problem of the file.
    """
    file = loaded.fleet_file
    return Fleet() if file is None else load_fleet(file, zone=loaded.settings.fleet.zone)


def groups_of(loaded: Loaded) -> Mapping[str, frozenset[str]]:
    """Give the groups of each truck of the fleet file, for who is told of what.

    Raises
    ------
    BadSettings
        With every problem of the file.
    """
    if loaded.fleet_file is None:
        return {}
    table = read_toml(loaded.fleet_file)
    parse_fleet(table, where=str(loaded.fleet_file), zone=loaded.settings.fleet.zone)
    rows = FleetFile.model_validate(table).vehicles
    return {name: frozenset(row.groups) for name, row in rows.items()}


def parse_fleet(table: Mapping[str, Any], *, where: str, zone: tzinfo = UTC) -> Fleet:
    """Check a parsed fleet file called ``where`` and turn it into the fleet."""
    prefix = f"{where}: "
    problems: list[Problem] = []
    parsed = FleetFile()
    try:
        parsed = FleetFile.model_validate(table)
    except ValidationError as error:
        problems += problems_of(error, FleetFile, prefix)
    problems += _cross_checks(table, prefix)
    if problems:
        raise BadSettings(problems)
    fluids = {name: fluid_of(name, row) for name, row in parsed.fluids.items()}
    vehicles = {name: _vehicle(name, row, zone) for name, row in parsed.vehicles.items()}
    return Fleet(
        vehicles=MappingProxyType(vehicles),
        fluids=MappingProxyType({**BUILT_IN_FLUIDS, **fluids}),
    )


def _vehicle(name: str, row: VehicleTable, zone: tzinfo) -> Vehicle:
    fields = row.model_dump(exclude={"name", "installed", "limits", "groups"})
    return Vehicle(
        name=name,
        title=row.name or name,
        installed_ms=None if row.installed is None else _unix_ms(row.installed, zone),
        limits=Limits(**row.limits.model_dump()),
        **fields,
    )


def _unix_ms(moment: datetime, zone: tzinfo) -> int:
    aware = moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)
    return round(aware.timestamp() * 1000.0)


def _cross_checks(table: Mapping[str, Any], prefix: str) -> Iterator[Problem]:
    """Check what lies between keys, on the raw tables, whatever else is wrong with them."""
    fluids = _tables(table, "fluids")
    yield from fluid_checks(fluids, prefix)
    for name, row in _tables(table, "vehicles").items():
        path = f"{prefix}vehicles.{name}"
        if vehicle_name.match(name) is None:
            mend = "use 1 to 64 of letters, digits, '.', '_', '-', as in the topic"
            yield Problem(path=path, what="not a name a topic can carry", mend=mend)
        if isinstance(row, Mapping):
            yield from _check_vehicle(row, path, {*fluids, *BUILT_IN_FLUIDS})


def _check_vehicle(row: Mapping[str, Any], path: str, fluids: set[str]) -> Iterator[Problem]:
    fluid = row.get("fluid", CHART_FLUID)
    if isinstance(fluid, str) and fluid not in fluids:
        mend = f"add [fluids.{fluid}], or correct it: {nearest(fluid, fluids, 'fluid')}"
        yield Problem(path=f"{path}.fluid", what=f"no fluid is named {fluid!r}", mend=mend)
    yield from _check_circuit(row, path)
    limits = _tables(row, "limits")
    limit = limits.get("over_temperature_c", 0.0)
    critical = limits.get("over_temperature_critical_c", 1e9)
    if _numbers(limit, critical) and limit >= critical:
        what = f"is {critical:g} °C, not above over_temperature_c ({limit:g} °C)"
        path = f"{path}.limits.over_temperature_critical_c"
        yield Problem(path=path, what=what, mend="raise it, or leave it out")


def _check_circuit(row: Mapping[str, Any], path: str) -> Iterator[Problem]:
    """Check that the valve opens before it is open, and that the circuit can have what it is said to."""
    circuit = row.get("circuit", VehicleTable().circuit)
    usual = usual_valve_c(str(circuit))
    low = row.get("thermostat_open_c", usual[0])
    high = row.get("thermostat_full_c", usual[1])
    if _numbers(low, high) and low >= high:
        what = f"the valve opens at {low:g} °C but is fully open at {high:g} °C"
        mend = (
            "thermostat_open_c must lie below thermostat_full_c (defaults "
            f"{usual[0]:g} and {usual[1]:g})"
        )
        yield Problem(path=f"{path}.thermostat_open_c", what=what, mend=mend)
    for key, needed in FITTINGS.items():
        if row.get(key) is True and circuit != needed:
            what = f"a circuit {circuit!r} has none"
            mend = f"take it out, or write circuit = {needed!r}"
            yield Problem(path=f"{path}.{key}", what=what, mend=mend)


def _tables(table: Mapping[str, Any], name: str) -> Mapping[str, Any]:
    found = table.get(name, {})
    return found if isinstance(found, Mapping) else {}


def _numbers(*values: object) -> bool:
    return all(isinstance(value, int | float) for value in values)
