"""The demo's view: what needs a look first, and room for every truck on a small terminal too."""

from __future__ import annotations

import math
from dataclasses import replace
from io import StringIO

import pytest
from rich.console import Console

from alerts.alarm import Matter, State
from alerts.ledger import Alarm
from deploy.demo_console import Door
from deploy.demo_facts import Facts, Told, TruckFacts
from deploy.demo_view import (
    PICTURE,
    Room,
    drawn,
    next_service,
    picture,
    summary,
    told_line,
    trace,
)
from models.due import Due
from models.kernel import STATE
from models.layout import blank
from models.transition import Priority
from models.units import METRIC
from review.circuit_standing import CircuitStanding
from simulator.northfold import START_MS
from tests.models.fills import fill_params, stated

HOUR_MS = 3_600_000

ACCOUNT = replace(
    stated(fill_params(), blank(STATE)),
    life_used=0.2345,
    life_low=0.12,
    life_high=0.41,
    equivalent_hours=30.0,
    mean_kinetic_temp_c=101.0,
    seen_hours=2.0,
    distance_km=120.0,
    unseen_km=20.0,
    hottest_c=141.0,
    samples=720,
    started_ms=START_MS,
)


DUE = Due(
    reason="distance",
    overdue=False,
    median_ms=START_MS + 24 * HOUR_MS,
    early_ms=START_MS + 20 * HOUR_MS,
    late_ms=None,
    share_by_heat=0.2345,
    share_by_distance=0.9,
    share_by_age=math.nan,
    distance_km=900.0,
    distance_limit_km=1000.0,
    age_days=3.0,
    age_limit_days=730.0,
)


CIRCUIT = CircuitStanding(
    judged=True,
    proven_ms=START_MS + 90 * 60_000,
    judged_ms=START_MS + 90 * 60_000,
    unseen_since_ms=None,
    suspect_ms=None,
    learned=0.5,
    causes={"healthy": 0.998, "shut": 0.002},
    coolant_cooled=False,
    missing={},
)


def _truck(number: int, *, fluid_c: float = 86.0) -> TruckFacts:
    return TruckFacts(
        vehicle=f"NF-{number:02d}",
        title="Quarry run",
        last_ms=START_MS + 2 * HOUR_MS,
        moving=True,
        fluid_c=fluid_c,
        limit_c=121.0,
        load_pct=40.0,
        speed_km_h=80.0,
        trace_c=(math.nan, *(86.0 for _ in range(22)), fluid_c),
        account=ACCOUNT,
        due=DUE,
        circuit=CIRCUIT,
    )


HOT = Alarm(
    id="a1",
    vehicle="NF-03",
    kind="gateway_silent",
    onset_ms=START_MS + HOUR_MS,
    raised_ms=START_MS + HOUR_MS,
    state=State.UNACKNOWLEDGED,
    priority=Priority.CRITICAL,
    probability=0.97,
    evidence={"quiet_minutes": 20.0},
    first_seen_ms=START_MS + HOUR_MS,
)
TOLD = Told(
    time_ms=START_MS + HOUR_MS, channel="log", vehicle="NF-03", kind="x", matter="active"
)
FACTS = Facts(
    trucks=tuple(
        _truck(number, fluid_c=140.0 if number == 3 else 86.0) for number in range(1, 11)
    ),
    alarms=(HOT,),
    told=(TOLD,) * 9,
    messages=1234,
)


def _text(room: Room, facts: Facts = FACTS) -> str:
    console = Console(width=room.columns, file=StringIO(), record=True)
    console.print(
        picture(facts, now_ms=START_MS + 2 * HOUR_MS, speed=240.0, units=METRIC, room=room)
    )
    return console.export_text()


@pytest.mark.parametrize(("columns", "lines"), [(80, 24), (100, 30), (132, 40), (200, 60)])
def test_every_truck_and_the_first_alarm_are_in_view(columns: int, lines: int) -> None:
    text = _text(Room(columns=columns, lines=lines))
    shown = text.rstrip().splitlines()
    assert len(shown) <= lines
    assert max(map(len, shown)) <= columns
    for truck in FACTS.trucks:
        assert truck.vehicle in text
    assert shown.index(next(line for line in shown if "Gateway silent" in line)) < shown.index(
        next(line for line in shown if "Life used" in line)
    )
    assert "23.45%" in text


def test_a_quiet_fleet_is_told_what_is_to_come() -> None:
    text = _text(PICTURE, Facts(trucks=FACTS.trucks))
    assert "All is well so far" in text
    assert "To come at" in text


def test_every_matter_has_its_words() -> None:
    lines = {
        told_line(
            Told(
                time_ms=START_MS, channel="log", vehicle="NF-01", kind="k", matter=matter.value
            )
        )
        for matter in Matter
    }
    assert len(lines) == len(Matter)


def test_a_trace_shows_what_was_not_seen_and_what_was_too_hot() -> None:
    whole, halved = trace(_truck(3, fluid_c=140.0), every=1), trace(_truck(3), every=2)
    assert whole.plain[0] == "·"
    assert whole.spans[-1].style == "red"
    assert len(halved.plain) == len(whole.plain) // 2


def test_a_picture_needs_nothing_from_elsewhere() -> None:
    svg = drawn(picture(FACTS, now_ms=START_MS, speed=240.0, units=METRIC, room=PICTURE))
    assert "url(http" not in svg
    assert "NF-10" in svg


def test_the_summary_names_every_truck_and_alarm() -> None:
    console = Console(width=100, file=StringIO(), record=True)
    console.print(summary(FACTS, METRIC))
    text = console.export_text()
    assert all(truck.vehicle in text for truck in FACTS.trucks)
    assert "gateway silent" in text
    assert "97.0%" in text
    assert "23% (12% to 41%)" in text
    assert "17 June 2026, by distance" in text


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"overdue": True}, "due, by distance"),
        ({"median_ms": None, "early_ms": None}, "not within five years"),
    ],
)
def test_the_summary_says_what_is_due_already_or_not_for_years(
    change: dict[str, bool | None], said: str
) -> None:
    assert next_service(replace(DUE, **change), METRIC) == said  # type: ignore[arg-type] # by name


def test_the_console_s_address_stands_in_the_head_and_not_in_a_picture_for_others() -> None:
    door = Door(port=8480, password="one-of-its-own")  # noqa: S106 - nobody's
    view = picture(
        FACTS, now_ms=START_MS, speed=240.0, units=METRIC, room=PICTURE, console=door.words
    )
    shown = Console(width=PICTURE.columns, file=StringIO(), record=True)
    shown.print(view)
    head = shown.export_text().splitlines()[1]
    assert "http://127.0.0.1:8480/" in head
    assert "one-of-its-own" in head
    assert "Console" not in drawn(
        picture(FACTS, now_ms=START_MS, speed=240.0, units=METRIC, room=PICTURE)
    )
