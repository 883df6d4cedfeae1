"""``heatbook what-if``: simulated days in a store, asked from the command line."""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from deploy.cli import app
from deploy.database import Database
from deploy.fleet import load_fleet
from ingest.message import Message
from models.units import rfc3339
from review.model_version import model_version
from review.trucks import courses_of
from simulator.capture import fleet_messages
from simulator.faults import Fault
from simulator.physics.thermal import Circuit
from simulator.plan import Fleet, TruckPlan, fleet_toml
from simulator.routes import Route, drive, idle, park
from simulator.sensors import SensorFit
from simulator.trucks import truck_plan
from tests.deploy.store import pipeline
from tests.recorded import HOUR_MS, NOON_MS

HOURS = 7.0
HOT = Route(
    name="too much for it",
    segments=(
        drive(25, 70, trailer_kg=9_500.0),
        drive(35, 50, grade_pct=5.8, trailer_kg=9_500.0),
        idle(4, trailer_kg=9_500.0),
        park(70),
    ),
    repeat=True,
)


def _truck(name: str, circuit: Circuit = "thermostatic_bypass", **changes: Any) -> TruckPlan:
    plan = truck_plan(name, circuit=circuit, route=HOT, start_temp_c=60.0, **changes)
    weak = replace(plan.spec.thermal, cooler_ua_w_k=0.8 * plan.spec.thermal.cooler_ua_w_k)
    open_on_climbs = replace(plan.spec.driveline, lockup_gear=4)
    return replace(
        plan,
        spec=replace(plan.spec, thermal=weak, driveline=open_on_climbs),
        registration=replace(plan.registration, installed="2025-12-01"),
    )


TRUCKS = (
    _truck("NF-01"),
    _truck("NF-02", "coolant_exchanger"),
    replace(_truck("NF-03"), fit=SensorFit(signals=("fluid_temp_c", "speed_km_h"))),
    _truck("NF-04", faults=(Fault(kind="bypass_stuck", since_s=5_400.0),)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Desk:
    folder: Path

    def invoke(self, *words: str, units: str = "metric") -> Any:
        config = self.folder / f"{units}.toml"
        where = ("--config", str(config))
        return CliRunner().invoke(app, ["what-if", *words, *where], env={"COLUMNS": "80"})

    def said(self, *words: str, **more: Any) -> str:
        done = self.invoke(*words, **more)
        assert done.exit_code == 0, done.output
        return re.sub(r"\s+", " ", done.output)

    def refused(self, *words: str) -> str:
        done = self.invoke(*words)
        assert done.exit_code != 0
        assert not done.stdout
        return str(done.exception) if done.exception else str(done.output)

    def plain(self, *words: str) -> Any:
        done = self.invoke(*words, "--json")
        assert done.exit_code == 0, done.output
        return json.loads(done.stdout)

    def outcomes(self, *words: str) -> dict[str, Any]:
        return {each["name"]: each for each in self.plain(*words)["found"]["outcomes"]}


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Desk:
    folder = tmp_path_factory.mktemp("desk")
    fleet = Fleet(name="four", plans=TRUCKS)
    (folder / "fleet.toml").write_text(fleet_toml(fleet) + "[vehicles.NF-05]\n")
    store = f'[store]\npath = "{folder / "heatbook.db"}"\n[fleet]\nfile = "fleet.toml"\n'
    (folder / "metric.toml").write_text(store)
    (folder / "us.toml").write_text(f'{store}units.temperature = "F"\n')
    database = Database(folder / "heatbook.db", synchronous="off")
    try:
        running = pipeline(
            database,
            courses=courses_of(
                load_fleet(folder / "fleet.toml"), max_gap_s=300.0, silent_after_s=900.0
            ),
            model_version=model_version(),
        )
        sent = fleet_messages(fleet, start_ms=NOON_MS, duration_s=3600.0 * HOURS, seed=3)
        running.commit([Message(topic=one.topic, payload=one.payload) for one in sent])
        running.flush()
    finally:
        database.close()
    return Desk(folder=folder)


def test_the_usual_changes_stand_side_by_side(desk: Desk) -> None:
    found = desk.outcomes("NF-01")
    assert list(found) == [
        "as it was",
        "cooler × 1.3",
        "full-flow block",
        "cleaned cooler",
        "20% less load",
    ]
    as_was, cooler = found["as it was"], found["cooler × 1.3"]
    assert cooler["hottest_c"]["best"] < as_was["hottest_c"]["best"] - 2.0
    assert cooler["life"]["high"] < as_was["life"]["best"]
    assert as_was["life"]["low"] == as_was["life"]["high"]
    assert found["full-flow block"]["cold_h"]["best"] > as_was["cold_h"]["best"]
    assert found["20% less load"]["of_as_was"]["best"] < 0.9


def test_the_span_as_it_was_is_what_the_account_measured(desk: Desk) -> None:
    (as_was,) = [each for name, each in desk.outcomes("NF-01").items() if name == "as it was"]
    shown = CliRunner().invoke(
        app, ["fleet", "show", "NF-01", "--json", "--config", str(desk.folder / "metric.toml")]
    )
    account = json.loads(shown.stdout)["standing"]["account"]
    measured_h = as_was["equivalent_h"]["best"] - as_was["soaked_h"]["best"]
    assert measured_h == pytest.approx(account["equivalent_hours"], rel=1e-6)
    assert as_was["hottest_c"]["best"] == account["hottest_c"]
    assert as_was["kinetic_c"]["best"] == pytest.approx(
        account["mean_kinetic_temp_c"], abs=1e-6
    )
    assert as_was["soaked_h"]["best"] == pytest.approx(
        account["soak_equivalent_hours"], rel=0.3
    )


def test_a_table_for_people_says_what_it_rests_on_and_what_to_mind(desk: Desk) -> None:
    said = desk.said("NF-01")
    for words in (
        "Change Hottest Above 121 °C Life used Compared",
        "full-flow block",
        "20% less load",
        "no difference",
        "In 8 of 10 cases",
        "as it is and as it would be",
        "converter lockup and driver",
        "known to",
        "carries less than 1.3 times the heat",
        "warms up late or never",
        "warranty",
        "hot fluid scalds",
        "The maker's manual, local rules",
    ):
        assert words in said, words
    assert "Above 250 °F" in desk.said("NF-01", units="us")


def test_what_was_asked_for_is_answered_each_and_together(desk: Desk) -> None:
    found = desk.outcomes(
        "NF-01", "--cooler", "1.2", "--cooler", "1.6", "--load", "0.9", "--together"
    )
    assert list(found) == [
        "as it was",
        "cooler × 1.2",
        "cooler × 1.6",
        "10% less load",
        "cooler × 1.6, 10% less load",
    ]
    lives = [each["life"]["best"] for each in found.values()]
    assert lives[0] > lives[1] > lives[2] > lives[4]


def test_the_same_question_has_the_same_answer_to_the_last_letter(desk: Desk) -> None:
    first, second = (desk.invoke("NF-01", "--json").stdout for _ in range(2))
    assert first == second


def test_a_span_can_be_named(desk: Desk) -> None:
    whole = desk.plain("NF-01")
    since, until = rfc3339(NOON_MS + HOUR_MS), rfc3339(NOON_MS + 3 * HOUR_MS)
    part = desk.plain("NF-01", "--since", since, "--until", until)
    assert part["since_ms"] >= NOON_MS + HOUR_MS
    assert part["until_ms"] <= NOON_MS + 3 * HOUR_MS
    assert part["found"]["seen_h"] < whole["found"]["seen_h"]
    assert desk.plain("NF-01", "--since", "2026-01-01", "--until", "2026-01-01") == whole
    assert whole["found"]["parked_h"] > 1.0


def test_a_block_frees_a_stuck_valve_and_a_bigger_cooler_does_not(desk: Desk) -> None:
    found = desk.outcomes("NF-04")
    assert desk.plain("NF-04")["failed_h"]["shut"] > 0.5
    saved = {name: 1.0 - each["of_as_was"]["best"] for name, each in found.items()}
    assert saved["full-flow block"] > 0.5
    assert saved["cooler × 1.3"] < 0.3
    assert "nothing reached the cooler" in desk.said("NF-04")


@pytest.mark.parametrize(
    ("words", "why"),
    [
        (("NF-02", "--full-flow"), "no bypass valve .* ask for a bigger cooler"),
        (("NF-01", "--cooler", "0"), "factor on the cooler is 0; write one from 0.25 to 4"),
        (("NF-01", "--since", "2027-01-01"), "no sample of that span is stored"),
        (("NF-01", "--since", "lately"), "'lately' is no time; write a date"),
        (("NF-03",), "too little is known .* engine speed, road speed, outside air"),
        (("NF-05",), "no sample of it was ever taken in"),
        (("NF-77",), "no truck is named 'NF-77'"),
    ],
)
def test_what_cannot_be_answered_is_refused_with_the_reason(
    desk: Desk, words: tuple[str, ...], why: str
) -> None:
    assert re.search(why, desk.refused(*words))


def test_a_circuit_without_a_bypass_valve_is_not_shown_a_block(desk: Desk) -> None:
    assert "full-flow block" not in desk.outcomes("NF-02")
    assert "full-flow" not in desk.said("NF-02")
