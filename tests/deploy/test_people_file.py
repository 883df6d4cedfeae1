"""The people file: what it says, what it leaves out, and every mistake in it."""

from __future__ import annotations

import copy
import tomllib
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.channels import SmtpSettings, bad_address
from alerts.hours import ALWAYS
from alerts.people import Way
from alerts.rota import Week, duty
from alerts.routing import Plan
from deploy.fleet import groups_of
from deploy.keys import ANY_NAME, fields, leaves
from deploy.people_file import Known, load_people, parse_people, plan_of
from deploy.people_tables import (
    FallbackTable,
    PeopleFile,
    PersonTable,
    RepeatTable,
    RotaTable,
    TellingTable,
    ThenTable,
)
from deploy.sections import UnitNames
from models.transition import Priority
from models.units import METRIC, US
from review.kinds import EVERY_KIND
from review.problems import BadSettings, Problem
from tests.deploy.settings_files import load

EXAMPLE = Path(__file__).parents[2] / "deploy" / "example-people.toml"
SMTP = SmtpSettings(host="mail.northfold.example", sender="heatbook@northfold.example")
KNOWN = Known(
    channels={"smtp": partial(bad_address, SMTP), "relay:sms": lambda _: None},
    kinds=EVERY_KIND,
    groups={"NF-01": frozenset({"recovery"}), "NF-02": frozenset()},
)
SMALL = """
[people.kim]
name = "Kim"
ways = ["smtp:kim@northfold.example"]
[fallback]
tell = ["kim"]
"""


def parse(text: str, known: Known = KNOWN) -> Plan:
    return parse_people(tomllib.loads(text), where="people.toml", known=known)


def problems(table: Mapping[str, Any], known: Known = KNOWN) -> dict[str, Problem]:
    with pytest.raises(BadSettings) as caught:
        parse_people(table, where="people.toml", known=known)
    assert caught.value.exit_code == 78
    return {each.path.removeprefix("people.toml: "): each for each in caught.value.problems}


def example() -> dict[str, Any]:
    return tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))


def test_the_example() -> None:
    plan = load_people(EXAMPLE, KNOWN)
    ines = plan.people["ines"]
    assert ines.name == "Ines"
    assert ines.ways == (
        Way(channel="relay:sms", address="+15550100"),
        Way(channel="smtp", address="ines@northfold.example"),
    )
    assert (ines.units.temperature, ines.units.distance) == ("F", "mi")
    assert plan.people["omar"].hours == ALWAYS
    assert plan.people["omar"].units == METRIC
    night = plan.rotas["night"]
    assert (night.turn, night.first, night.handover_min) == (
        ("omar", "ines"),
        Week(2026, 1),
        420,
    )
    assert duty(night, Week(2026, 53)).person == "ines"
    assert [rule.name for rule in plan.rules] == [
        "trouble",
        "cooling",
        "services",
        "the machine",
    ]
    first = plan.rules[0]
    assert first.min_priority is Priority.HIGH
    assert [(step.after_ms, step.tell) for step in first.steps] == [
        (600_000, ("workshop",)),
        (1_500_000, ("boss",)),
    ]
    assert plan.fallback.tell == ("workshop",)
    assert plan.groups == KNOWN.groups
    assert (plan.repeat_ms, plan.repeats, plan.at_any_hour) == (900_000, 3, Priority.CRITICAL)


def test_the_example_shows_every_key() -> None:
    table = example()
    rules = [*table["telling"], table["fallback"]]
    rows: list[tuple[type, list[dict[str, Any]]]] = [
        (PeopleFile, [table]),
        (PersonTable, list(table["people"].values())),
        (UnitNames, [table["people"]["ines"]["units"]]),
        (RotaTable, list(table["rota"].values())),
        (TellingTable, table["telling"]),
        (FallbackTable, [table["fallback"]]),
        (ThenTable, [step for rule in rules for step in rule.get("then", [])]),
        (RepeatTable, [table["repeat"]]),
    ]
    for model, shown in rows:
        assert set().union(*shown) == set(fields(model)), model


def test_what_is_left_out_is_as_the_example_says() -> None:
    plan = parse(SMALL)
    kim = plan.people["kim"]
    assert (kim.hours, kim.units, kim.reads) == (ALWAYS, METRIC, frozenset())
    assert plan.rules == ()
    assert (plan.repeat_ms, plan.repeats) == (900_000, 3)


def test_zone_and_units_are_the_fleets_unless_ones_own() -> None:
    berlin, kathmandu = ZoneInfo("Europe/Berlin"), ZoneInfo("Asia/Kathmandu")
    known = Known(channels=KNOWN.channels, units=US, zone=berlin)
    more = '[people.far]\nname = "Far"\nways = ["smtp:far@northfold.example"]\n'
    plan = parse(f'{SMALL}{more}time_zone = "Asia/Kathmandu"\n', known)
    assert (plan.zone, plan.people["kim"].zone) == (berlin, berlin)
    assert plan.people["kim"].units.zone == berlin
    assert plan.people["kim"].units.temperature == "F"
    assert plan.people["far"].zone == kathmandu
    assert plan.people["far"].units.zone == kathmandu


def change(path: str, value: object) -> dict[str, Any]:
    """Give the example with one value changed."""
    table = copy.deepcopy(example())
    *parts, last = path.split(".")
    place: Any = table
    for part in parts:
        place = place[int(part)] if part.isdigit() else place[part]
    place[int(last) if last.isdigit() and isinstance(place, list) else last] = value
    return table


@pytest.mark.parametrize(
    ("path", "value", "where", "says"),
    [
        ("people.ines.way", ["x"], "people.ines.way", "nearest known key is 'ways'"),
        ("poeple", {}, "poeple", "nearest known key is 'people'"),
        ("telling.0.prioriy", "high", "telling.1.prioriy", "nearest known key is 'priority'"),
        ("telling.0.then.1.after", 5, "telling.1.then.2.after", "'after_min'"),
        ("rota.night.swap", {}, "rota.night.swap", "nearest known key is 'swaps'"),
        ("people.ines.units", {"temp": "F"}, "people.ines.units.temp", "'temperature'"),
        ("people", {}, "people", "names nobody"),
        ("people.ines.name", "", "people.ines.name", "is empty or too short"),
        ("people.ines.ways", [], "people.ines.ways", "is empty"),
        ("people.ines.ways", ["sms:+1"], "people.ines.ways.1", "nearest known channel"),
        ("people.ines.ways", ["smtp:ines"], "people.ines.ways.1", "not a mail address"),
        (
            "people.ines.ways",
            ["smtp:ines@northfold.example, omar@northfold.example"],
            "people.ines.ways.1",
            "not one mail address",
        ),
        ("people.ines.ways.1", "relay:sms:2", "people.ines.ways.2", "stands there twice"),
        ("people.ines.hours", "mon-fri", "people.ines.hours", "has no times"),
        ("people.ines.time_zone", "Nowhere", "people.ines.time_zone", "no time zone"),
        ("people.ines/x", {}, "people.ines/x", "is no short name"),
        ("people.night", {}, "rota.night", "is also the name of a person"),
        ("rota.night.turn", ["omra"], "rota.night.turn.1", "nearest known name is 'omar'"),
        ("rota.night.turn", [], "rota.night.turn", "is empty"),
        ("rota.night.first_week", "2025-W53", "rota.night.first_week", "has weeks 01 to 52"),
        ("rota.night.handover", "mon", "rota.night.handover", "no day with a time"),
        ("rota.night.handover", "mon 24:00", "rota.night.handover", "is the next day"),
        ("rota.night.swaps.2026-W52", "inse", "rota.night.swaps.2026-W52", "'ines'"),
        ("rota.night.planned_until", "soon", "rota.night.planned_until", "calendar week"),
        ("telling.1.kinds", ["bypas"], "telling.2.kinds.1", "nearest known kind"),
        ("telling.1.groups", ["yard"], "telling.2.groups.1", "nearest known group"),
        ("telling.1.tell", ["nigth"], "telling.2.tell.1", "nearest known name is 'night'"),
        ("telling.0.then.0.tell", ["bos"], "telling.1.then.1.tell.1", "'boss'"),
        ("telling.0.then.1.after_min", 10, "telling.1.then.2.after_min", "not after the step"),
        ("telling.0.hours", "noon", "telling.1.hours", "has no times"),
        ("telling.0.priority", "urgent", "telling.1.priority", "use one of"),
        ("fallback", {}, "fallback.tell", "is missing"),
        ("fallback.tell", ["nobody"], "fallback.tell.1", "nobody is named 'nobody'"),
        ("fallback.then.0.tell", ["x"], "fallback.then.1.tell.1", "nobody is named 'x'"),
        ("at_any_hour", "always", "at_any_hour", "use one of"),
        ("repeat.times", 21, "repeat.times", "20"),
    ],
)
def test_every_mistake_says_where_what_and_how_to_mend(
    path: str, value: object, where: str, says: str
) -> None:
    found = problems(change(path, value))
    assert where in found, found
    assert says in str(found[where])
    assert found[where].mend


def test_all_mistakes_are_told_at_once() -> None:
    table = change("telling.1.kinds", ["x"])
    table["people"]["ines"]["hours"] = "x"
    table["rota"]["night"]["turn"] = ["x"]
    del table["fallback"]
    found = problems(table)
    assert set(found) >= {
        "telling.2.kinds.1",
        "people.ines.hours",
        "rota.night.turn.1",
        "fallback",
    }


def test_without_a_channel_to_people_it_says_to_set_one_up() -> None:
    found = problems(tomllib.loads(SMALL), Known(channels={}))
    assert "set one up in the settings" in found["people.kim.ways.1"].mend


def test_a_file_that_is_none_is_said(tmp_path: Path) -> None:
    file = tmp_path / "people.toml"
    for content in (None, b"\xff", b"[people"):
        if content is not None:
            file.write_bytes(content)
        with pytest.raises(BadSettings):
            load_people(file, KNOWN)


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=5) | st.floats(),
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=6,
)
places = st.sampled_from([path for path in leaves(PeopleFile) if ANY_NAME not in path]) | (
    st.sampled_from(
        [
            ("people",),
            ("rota",),
            ("telling",),
            ("people", "ines"),
            ("rota", "night"),
            ("fallback",),
        ]
        + [("people", "ines", key) for key in ("ways", "hours", "units")]
        + [("rota", "night", key) for key in ("turn", "swaps", "handover")]
    )
)


@given(places, values)
@settings(deadline=None)
def test_whatever_stands_in_the_file_is_a_plan_or_a_list_of_problems(
    path: tuple[str, ...], value: object
) -> None:
    table = example()
    place: Any = table
    for part in path[:-1]:
        if not isinstance(place, dict):
            return
        place = place.setdefault(part, {})
    if not isinstance(place, dict):
        return
    place[path[-1]] = value
    try:
        plan = parse_people(table, where="people.toml", known=KNOWN)
    except BadSettings as error:
        assert error.problems  # noqa: PT017 - either is right
    else:
        assert plan.people


def test_the_settings_name_it_beside_themselves(tmp_path: Path) -> None:
    (tmp_path / "people.toml").write_text(SMALL, encoding="utf-8")
    (tmp_path / "fleet.toml").write_text(
        '[vehicles.NF-01]\ngroups = ["recovery", "yard"]\n[vehicles.NF-02]\n', encoding="utf-8"
    )
    loaded = load(
        tmp_path,
        """
        [alerts]
        people = "people.toml"
        [alerts.smtp]
        host = "mail.northfold.example"
        sender = "heatbook@northfold.example"
        [fleet]
        file = "fleet.toml"
        time_zone = "Etc/GMT+6"
        """,
    )
    plan = plan_of(loaded)
    assert plan is not None
    assert plan.zone == ZoneInfo("Etc/GMT+6")
    assert plan.groups == {"NF-01": {"recovery", "yard"}, "NF-02": frozenset()}


def test_without_a_people_file_there_is_no_plan(tmp_path: Path) -> None:
    loaded = load(tmp_path, "")
    assert plan_of(loaded) is None
    assert groups_of(loaded) == {}
