"""People, rotas and rules of an invented outfit, for the tests of who is told."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC
from zoneinfo import ZoneInfo

from hypothesis import strategies as st

from alerts.hours import ALWAYS, parse
from alerts.people import Person, Way
from alerts.rota import Rota, Week
from alerts.routing import Plan, Rule, Step, Subject
from models.transition import Priority
from models.units import METRIC

MINUTE = 60_000
BERLIN = ZoneInfo("Europe/Berlin")
DAYTIME = parse("mon-fri 06:00-18:00")


def person(key: str, hours: str = "always", *channels: str) -> Person:
    ways = channels or ("smtp", "relay:sms")
    return Person(
        key=key,
        name=key.capitalize(),
        ways=tuple(Way(channel=each, address=f"{key}@northfold.example") for each in ways),
        units=METRIC,
        zone=UTC,
        hours=parse(hours),
    )


PEOPLE: Mapping[str, Person] = {
    "ines": person("ines", "mon-fri 06:00-18:00"),
    "omar": person("omar"),
    "workshop": person("workshop", "mon-fri 06:00-16:00", "smtp"),
    "boss": person("boss", "daily 07:00-21:00"),
}

NIGHT = Rota(key="night", turn=("omar", "ines"), first=Week(2026, 1), zone=UTC, hours=ALWAYS)

PLAN = Plan(
    people=PEOPLE,
    rotas={"night": NIGHT},
    rules=(
        Rule(
            name="trouble",
            min_priority=Priority.HIGH,
            tell=("night",),
            steps=(
                Step(after_ms=10 * MINUTE, tell=("workshop",)),
                Step(after_ms=25 * MINUTE, tell=("boss",)),
            ),
        ),
        Rule(
            name="cooling",
            kinds=frozenset({"bypass_stuck"}),
            groups=frozenset({"recovery"}),
            trucks=frozenset({"NF-02"}),
            tell=("ines", "workshop"),
        ),
        Rule(name="by day", hours=DAYTIME, kinds=frozenset({"lockup_slip"}), tell=("boss",)),
    ),
    fallback=Rule(name="fallback", tell=("workshop",)),
    groups={"NF-01": frozenset({"recovery"}), "NF-03": frozenset({"yard"})},
)

VEHICLES = ("NF-01", "NF-02", "NF-03", "NF-99", "*")
KINDS = ("bypass_stuck", "lockup_slip", "service_due", "gateway_silent")

subjects = st.builds(
    Subject,
    vehicle=st.sampled_from(VEHICLES),
    kind=st.sampled_from(KINDS),
    priority=st.sampled_from(Priority),
)
_names = st.lists(st.sampled_from((*PEOPLE, "night")), min_size=1, max_size=3, unique=True).map(
    tuple
)
_hours = st.sampled_from(
    ("always", "mon-fri 06:00-18:00", "sat-sun 22:00-05:00", "thu 03:10-03:15")
)
_steps = st.lists(
    st.builds(Step, after_ms=st.integers(1, 90).map(lambda m: m * MINUTE), tell=_names),
    max_size=3,
    unique_by=lambda step: step.after_ms,
).map(tuple)
_rules = st.builds(
    Rule,
    name=st.sampled_from(("one", "two", "three")),
    tell=_names,
    min_priority=st.sampled_from(Priority),
    kinds=st.frozensets(st.sampled_from(KINDS), max_size=2),
    trucks=st.frozensets(st.sampled_from(VEHICLES[:4]), max_size=2),
    groups=st.frozensets(st.sampled_from(("recovery", "yard")), max_size=2),
    hours=st.none() | _hours.map(parse),
    steps=_steps,
)
plans = st.builds(
    Plan,
    people=st.fixed_dictionaries(
        {key: st.builds(person, st.just(key), _hours) for key in PEOPLE}
    ),
    rotas=st.builds(
        lambda turn, hours: {
            "night": Rota(key="night", turn=turn, first=Week(2026, 1), zone=UTC, hours=hours)
        },
        st.lists(st.sampled_from(tuple(PEOPLE)), min_size=1, unique=True).map(tuple),
        st.none() | _hours.map(parse),
    ),
    rules=st.lists(_rules, max_size=4).map(tuple),
    fallback=st.builds(Rule, name=st.just("fallback"), tell=_names, steps=_steps),
    groups=st.just({"NF-01": frozenset({"recovery"}), "NF-03": frozenset({"yard"})}),
    zone=st.sampled_from((UTC, BERLIN)),
    at_any_hour=st.sampled_from((Priority.HIGH, Priority.CRITICAL)),
    repeats=st.integers(0, 3),
)
