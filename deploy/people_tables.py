"""The tables of the people file, as they are written."""

from __future__ import annotations

from typing import Annotated
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from alerts.hours import Hours, day_of, minutes_of
from alerts.hours import parse as parse_hours
from alerts.rota import Week, parse_week
from deploy.section import PriorityName
from deploy.sections import UnitNames


class Table(BaseModel):
    """A table of the people file: an unknown key is an error, and so is a value of another kind."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


def handover_of(text: str) -> tuple[int, int]:
    """Read a day and a time of day, "mon 07:00": 0 for Monday, minutes after midnight."""
    day, _, at = text.lower().strip().partition(" ")
    if not at.strip():
        raise ValueError(f"{text!r} is no day with a time; write it like mon 07:00")
    minutes = minutes_of(at.strip())
    if minutes == minutes_of("24:00"):
        raise ValueError(f"{text!r} is the next day; write it as 00:00 of that day")
    return day_of(day), minutes


def _parsed_hours(text: str) -> str:
    parse_hours(text)
    return text


def _parsed_week(text: str) -> str:
    parse_week(text)
    return text


def _parsed_handover(text: str) -> str:
    handover_of(text)
    return text


def _known_zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        msg = f"no time zone is named {name!r}; write it like UTC or Etc/GMT+6"
        raise ValueError(msg) from None
    return name


HoursText = Annotated[str, AfterValidator(_parsed_hours)]
WeekText = Annotated[str, AfterValidator(_parsed_week)]
HandoverText = Annotated[str, AfterValidator(_parsed_handover)]
ZoneName = Annotated[str, AfterValidator(_known_zone)]
Names = Annotated[list[str], Field(min_length=1)]
Minutes = Annotated[float, Field(ge=1.0, le=10_080.0)]


class PersonTable(Table):
    """``[people.KEY]``: somebody who can be told."""

    name: Annotated[str, Field(min_length=1, max_length=64)]
    ways: Annotated[list[str], Field(min_length=1)]
    units: UnitNames | None = None
    time_zone: ZoneName | None = None
    hours: HoursText = "always"
    digest: bool = False
    week: bool = False

    def reads(self) -> frozenset[str]:
        """Name the reports they want."""
        wanted = {"digest": self.digest, "week": self.week}
        return frozenset(name for name, yes in wanted.items() if yes)

    def times(self) -> Hours:
        """Give their hours."""
        return parse_hours(self.hours)


class RotaTable(Table):
    """``[rota.KEY]``: people who take turns by the calendar week."""

    turn: Names
    first_week: WeekText
    handover: HandoverText = "mon 00:00"
    time_zone: ZoneName | None = None
    hours: HoursText | None = None
    planned_until: WeekText | None = None
    swaps: dict[WeekText, str] = {}

    def weeks(self) -> dict[Week, str]:
        """Give who stands in, by week."""
        return {parse_week(week): name for week, name in self.swaps.items()}


class ThenTable(Table):
    """``[[telling.then]]``: whom to tell next when nobody has acknowledged."""

    after_min: Minutes
    tell: Names


class TellingTable(Table):
    """``[[telling]]``: of what whom to tell."""

    name: Annotated[str, Field(max_length=64)] = ""
    priority: PriorityName = "low"
    kinds: list[str] = []
    trucks: list[str] = []
    groups: list[str] = []
    hours: HoursText | None = None
    tell: Names
    then: list[ThenTable] = []


class FallbackTable(Table):
    """``[fallback]``: whom to tell of what no rule is about."""

    tell: Names
    then: list[ThenTable] = []


class RepeatTable(Table):
    """``[repeat]``: how often a critical alarm is told again after the last step."""

    every_min: Minutes = 15.0
    times: Annotated[int, Field(ge=0, le=20)] = 3


class PeopleFile(Table):
    """The whole file."""

    at_any_hour: PriorityName = "critical"
    repeat: RepeatTable = RepeatTable()
    people: dict[str, PersonTable]
    rota: dict[str, RotaTable] = {}
    telling: list[TellingTable] = []
    fallback: FallbackTable
