"""Read the people file: TOML into the plan of who is told, all errors of the file at once."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, tzinfo
from functools import partial
from pathlib import Path
from types import MappingProxyType
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from alerts.channels import bad_address
from alerts.hours import parse as parse_hours
from alerts.people import Person
from alerts.rota import Rota, parse_week
from alerts.routing import Plan, Rule, Step
from deploy.fleet import groups_of
from deploy.people_checks import cross_checks, way_of
from deploy.people_tables import (
    PeopleFile,
    PersonTable,
    RotaTable,
    TellingTable,
    ThenTable,
    handover_of,
)
from deploy.problems import problems_of
from deploy.settings import Loaded
from deploy.toml_file import read_toml
from models.transition import Priority
from models.units import METRIC, Units
from review.kinds import EVERY_KIND
from review.problems import BadSettings, Problem

_PLACE = re.compile(r"\b(telling|then|tell|ways|turn|kinds|trucks|groups)\.(\d+)")

FALLBACK = "fallback"
"""What the rule is called that counts where no other does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What the people file may refer to, and what counts where it says nothing.

    ``channels``: by name, what tells what is wrong with an address (None: nothing is). ``groups``: those
    of each truck.
    """

    channels: Mapping[str, Callable[[str], str | None]]
    kinds: Collection[str] = ()
    groups: Mapping[str, frozenset[str]] = field(default_factory=lambda: MappingProxyType({}))
    units: Units = METRIC
    zone: tzinfo = UTC


def plan_of(loaded: Loaded) -> Plan | None:
    """Read the people file that the settings name; None where they name none.

    Raises
    ------
    BadSettings
        With every problem of the file.
    """
    if loaded.people_file is None:
        return None
    return load_people(loaded.people_file, known_of(loaded))


def known_of(loaded: Loaded) -> Known:
    """Give what the people file of an installation may refer to."""
    section = loaded.settings.fleet
    return Known(
        channels=_address_checks(loaded),
        kinds=EVERY_KIND,
        groups=groups_of(loaded),
        units=section.units.units(section.zone),
        zone=section.zone,
    )


def _address_checks(loaded: Loaded) -> dict[str, Callable[[str], str | None]]:
    """Give the channels that lead to people, by name, each with what looks at an address."""
    return {
        name: partial(bad_address, each)
        for name, each in loaded.settings.channels().items()
        if name == "smtp" or name.startswith("relay:")
    }


def load_people(path: Path, known: Known) -> Plan:
    """Read a people file.

    Raises
    ------
    BadSettings
        With every problem of the file.
    """
    return parse_people(read_toml(path), where=str(path), known=known)


def parse_people(table: Mapping[str, Any], *, where: str, known: Known) -> Plan:
    """Check a parsed people file called ``where`` and turn it into the plan."""
    prefix = f"{where}: "
    problems: list[Problem] = []
    parsed: PeopleFile | None = None
    try:
        parsed = PeopleFile.model_validate(table)
    except ValidationError as error:
        problems += problems_of(error, PeopleFile, prefix)
    problems += cross_checks(
        table, prefix, channels=known.channels, kinds=known.kinds, groups=known.groups
    )
    if problems or parsed is None:
        raise BadSettings([_counted(problem, prefix) for problem in problems])
    return _plan(parsed, known)


def _counted(problem: Problem, prefix: str) -> Problem:
    """Count the places in lists from 1, as people do."""
    path = problem.path.removeprefix(prefix)
    return replace(problem, path=prefix + _PLACE.sub(_from_one, path))


def _from_one(found: re.Match[str]) -> str:
    return f"{found[1]}.{int(found[2]) + 1}"


def _plan(parsed: PeopleFile, known: Known) -> Plan:
    return Plan(
        people=MappingProxyType(
            {key: _person(key, row, known) for key, row in parsed.people.items()}
        ),
        rotas=MappingProxyType(
            {key: _rota(key, row, known) for key, row in parsed.rota.items()}
        ),
        rules=tuple(_rule(nth, row) for nth, row in enumerate(parsed.telling, 1)),
        fallback=Rule(
            name=FALLBACK,
            tell=tuple(parsed.fallback.tell),
            steps=_steps(parsed.fallback.then),
        ),
        groups=known.groups,
        zone=known.zone,
        at_any_hour=_priority(parsed.at_any_hour),
        repeat_ms=round(parsed.repeat.every_min * 60_000),
        repeats=parsed.repeat.times,
    )


def _person(key: str, row: PersonTable, known: Known) -> Person:
    zone = known.zone if row.time_zone is None else ZoneInfo(row.time_zone)
    return Person(
        key=key,
        name=row.name,
        ways=tuple(way for text in row.ways if (way := way_of(text, known.channels))),
        units=replace(known.units, zone=zone) if row.units is None else row.units.units(zone),
        zone=zone,
        hours=row.times(),
        reads=row.reads(),
    )


def _rota(key: str, row: RotaTable, known: Known) -> Rota:
    day, minutes = handover_of(row.handover)
    return Rota(
        key=key,
        turn=tuple(row.turn),
        first=parse_week(row.first_week),
        zone=known.zone if row.time_zone is None else ZoneInfo(row.time_zone),
        swaps=MappingProxyType(row.weeks()),
        handover_day=day,
        handover_min=minutes,
        hours=None if row.hours is None else parse_hours(row.hours),
        planned_until=None if row.planned_until is None else parse_week(row.planned_until),
    )


def _rule(nth: int, row: TellingTable) -> Rule:
    return Rule(
        name=row.name or f"rule {nth}",
        tell=tuple(row.tell),
        min_priority=_priority(row.priority),
        kinds=frozenset(row.kinds),
        trucks=frozenset(row.trucks),
        groups=frozenset(row.groups),
        hours=None if row.hours is None else parse_hours(row.hours),
        steps=_steps(row.then),
    )


def _steps(rows: list[ThenTable]) -> tuple[Step, ...]:
    return tuple(
        Step(after_ms=round(row.after_min * 60_000), tell=tuple(row.tell)) for row in rows
    )


def _priority(name: str) -> Priority:
    return Priority[name.upper()]
