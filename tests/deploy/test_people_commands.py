"""``heatbook people`` and what ``heatbook check`` says of the people."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from alerts.hours import parse
from alerts.rota import Week
from alerts.routing import Rule, Step
from deploy.cli import app
from deploy.database import Database
from deploy.people_file import plan_of
from deploy.people_findings import coverage, unreached
from deploy.settings import load_settings
from models.transition import Priority
from tests.alerts.far_side import MailSide, free_port, mail_side
from tests.alerts.northfold import MINUTE, NIGHT, PEOPLE, PLAN

SETTINGS = """
[fleet]
file = "fleet.toml"
time_zone = "Europe/Berlin"
[alerts]
people = "people.toml"
[alerts.smtp]
host = "mail.northfold.example"
sender = "heatbook@northfold.example"
[alerts.relays.sms]
url = "json://sms.northfold.example/send?:number={to}"
form = "short"
"""
DEPLOY = Path(__file__).parents[2] / "deploy"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("fleet", "people"):
        text = (DEPLOY / f"example-{name}.toml").read_text(encoding="utf-8")
        (tmp_path / f"{name}.toml").write_text(text, encoding="utf-8")
    store = f'[store]\npath = "{tmp_path / "heatbook.db"}"\n'
    (tmp_path / "heatbook.toml").write_text(SETTINGS + store, encoding="utf-8")
    (tmp_path / "heatbook.toml").chmod(0o640)
    return tmp_path


def invoke(folder: Path, *words: str, columns: int = 100) -> Any:
    where = ("--config", str(folder / "heatbook.toml"))
    return CliRunner().invoke(app, [*words, *where], env={"COLUMNS": str(columns)})


def run(folder: Path, *words: str, code: int = 0, columns: int = 100) -> str:
    done = invoke(folder, *words, columns=columns)
    assert done.exit_code == code, done.output
    return str(done.output)


def rows(text: str) -> list[list[str]]:
    """Give the rows of a table, cell by cell."""
    lines = [line.strip() for line in text.splitlines()]
    (rule,) = [place for place, line in enumerate(lines) if line and not line.strip("─")]
    return [re.split(r"\s{2,}", line) for line in lines[rule + 1 :] if line]


def told(folder: Path, *, alarm: str, truck: str, priority: str, at: str) -> list[list[str]]:
    words = ("--alarm", alarm, "--truck", truck, "--priority", priority, "--at", at)
    return rows(run(folder, "people", "told", *words, columns=120))


def test_who_would_be_told_when_and_by_what_way(folder: Path) -> None:
    found = told(
        folder, alarm="bypass_stuck", truck="NF-03", priority="critical", at="2026-06-17T02:00"
    )
    assert found == [
        ["at once", "–", "log", "every alarm"],
        ["at once", "Omar", "relay:sms", "trouble, on duty in night"],
        ["at once", "Ines", "relay:sms, then smtp", "cooling"],
        ["at once", "Foreman of the workshop", "smtp", "cooling"],
        ["Wed 06-17 02:10", "Foreman of the workshop", "smtp", "step 1"],
        ["Wed 06-17 02:25", "Manager", "smtp, then relay:sms", "step 2"],
        ["Wed 06-17 02:40", "Manager", "smtp, then relay:sms", "told again"],
        ["Wed 06-17 02:55", "Manager", "smtp, then relay:sms", "told again"],
        ["Wed 06-17 03:10", "Manager", "smtp, then relay:sms", "told again"],
    ]


def test_quiet_hours_are_shown_with_a_star(folder: Path) -> None:
    # A Saturday: the workshop is at rest until Monday, Ines (her zone is UTC) until noon, 14:00 in Berlin.
    found = told(
        folder, alarm="bypass_stuck", truck="NF-02", priority="medium", at="2026-06-20T13:00"
    )
    assert found == [
        ["at once", "–", "log", "every alarm"],
        ["at once", "Ines", "relay:sms, then smtp", "cooling"],
        ["Mon 06-22 06:00 *", "Foreman of the workshop", "smtp", "cooling"],
        ["* when their hours begin"],
    ]


def test_the_fallback_and_its_step(folder: Path) -> None:
    found = told(
        folder, alarm="sensor_fault", truck="all", priority="low", at="2026-06-17T09:00"
    )
    assert [row[1:] for row in found[1:]] == [
        ["Foreman of the workshop", "smtp", "fallback"],
        ["Manager", "smtp, then relay:sms", "step 1"],
    ]


@pytest.mark.parametrize("columns", [80, 100])
def test_a_terminal_of_usual_width_is_enough(folder: Path, columns: int) -> None:
    words = ("--alarm", "bypass_stuck", "--truck", "NF-03", "--at", "2026-06-17T02:00")
    for command in (("people", "told", *words), ("people", "list")):
        shown = run(folder, *command, columns=columns)
        assert "…" not in shown
        assert max(map(len, shown.splitlines())) <= columns


def test_a_kind_that_is_none_is_refused(folder: Path) -> None:
    words = ("people", "told", "--truck", "NF-03", "--alarm", "bypas_stuck")
    done = invoke(folder, *words)
    assert done.exit_code == 1
    assert "nearest known kind is 'bypass_stuck'" in str(done.exception)


def test_a_truck_that_is_not_in_the_fleet_file_is_said(folder: Path) -> None:
    words = ("people", "told", "--truck", "NF-99", "--alarm", "bypass_stuck")
    assert "NF-99 is not in the fleet file" in run(folder, *words)


def test_the_list_shows_who_is_on_duty_and_the_weeks_to_come(folder: Path) -> None:
    (folder / "heatbook.toml").write_text(
        (folder / "heatbook.toml").read_text(encoding="utf-8")
        + "[clock]\nstart = 2026-12-22T12:00:00Z\n",
        encoding="utf-8",
    )
    shown = run(folder, "people", "list", "--weeks", "3")
    assert "relay:sms +15550100, then smtp ines@northfold.example" in shown
    # By turn it would be ines, omar, ines: omar begins in 2026-W01, and 2026 has 53 weeks.
    assert rows(shown) == [
        ["2026-W52 now", "2026-12-21 07:00 UTC", "2026-12-28 07:00 UTC", "Omar (swapped)"],
        ["2026-W53", "2026-12-28 07:00 UTC", "2027-01-04 07:00 UTC", "Ines (swapped)"],
        ["2027-W01", "2027-01-04 07:00 UTC", "2027-01-11 07:00 UTC", "Ines"],
    ]
    assert re.search(r"Omar \(omar\).*?on duty now: night", shown, re.DOTALL)


def test_without_a_people_file_it_says_who_is_told_then(folder: Path) -> None:
    settings = folder / "heatbook.toml"
    text = settings.read_text(encoding="utf-8").replace('people = "people.toml"\n', "")
    text = text.replace(
        "[alerts.relays.sms]", 'recipients = ["desk@northfold.example"]\n[alerts.relays.sms]'
    )
    settings.write_text(text, encoding="utf-8")
    for words in (("list",), ("told", "--truck", "NF-01", "--alarm", "overcooled")):
        assert "There is no people file" in run(folder, "people", *words)


def test_check_speaks_of_the_people(folder: Path) -> None:
    shown = run(folder, "check", "--no-broker", columns=300)
    assert "4 people, 1 rota, 4 rules" in shown
    assert "at 02:00 a critical alarm (" in shown
    people = folder / "people.toml"
    text = people.read_text(encoding="utf-8").replace("[people.boss]", "[people.bos]")
    people.write_text(text, encoding="utf-8")
    shown = run(folder, "check", "--no-broker", code=1, columns=300)
    assert "nobody is named 'boss'" in shown


def ms(text: str) -> int:
    return round(datetime.fromisoformat(f"{text}+00:00").timestamp() * 1000)


NOON = ms("2026-06-17T12:00:00")
LONELY = Rule(name="fallback", tell=("workshop",))


def said(**changes: Any) -> str:
    plan = replace(PLAN, **changes)
    trucks = frozenset({"NF-01", "NF-02", "NF-03"})
    return "\n".join(
        f"{found.level}: {found.what}" for found in coverage(plan, trucks=trucks, now_ms=NOON)
    )


def test_whom_nobody_tells_is_said() -> None:
    assert "caution: boss is told of nothing" in said(rules=(), fallback=LONELY)
    assert "caution: nobody is told by the rota night" in said(rules=(), fallback=LONELY)
    assert "told of nothing" not in said()


def test_a_rule_for_a_truck_that_nobody_knows_is_said() -> None:
    rule = Rule(name="odd", trucks=frozenset({"NF-07"}), tell=("boss",))
    assert "'odd' names NF-07, which is not in the fleet file" in said(rules=(rule,))


def test_a_rota_whose_plan_ends_is_said_in_time() -> None:
    """The week now is 2026-W25."""

    def rota(until: str) -> Mapping[str, Any]:
        year, _, number = until.partition("-W")
        planned = Week(int(year), int(number))
        return {"rotas": {"night": replace(NIGHT, planned_until=planned)}}

    assert "the plan of the rota night" not in said(**rota("2026-W29"))
    assert "the plan of the rota night ends with 2026-W28" in said(**rota("2026-W28"))
    assert "the plan of the rota night ended with 2026-W24" in said(**rota("2026-W24"))


def test_who_hears_of_what_is_critical_at_night_is_said() -> None:
    by_mail = Rule(
        name="fallback", tell=("boss",), steps=(Step(after_ms=MINUTE, tell=("omar",)),)
    )
    shown = said(rules=(), fallback=by_mail)
    assert (
        "caution: at 02:00 a critical alarm (any kind; any truck) reaches Boss by mail only, "
        "and mail wakes nobody"
    ) in shown
    loud = replace(PEOPLE["boss"], ways=PEOPLE["boss"].ways[::-1])
    people = {**PEOPLE, "boss": loud}
    assert (
        "good: at 02:00 a critical alarm (any kind; any truck) reaches Boss by relay:sms"
    ) in said(rules=(), fallback=by_mail, people=people)


def test_hours_in_which_a_high_alarm_would_wait_are_said() -> None:
    """The workshop's hours end on Friday at 16:00 and begin on Monday at 06:00: 62 hours."""
    shown = said(rules=(), fallback=LONELY)
    assert ("a high alarm (any kind; any truck) found on Fri 16:00 would wait 62 h") in shown
    assert "would wait" not in said(rules=(), fallback=LONELY, at_any_hour=Priority.HIGH)
    always = replace(PEOPLE["workshop"], hours=parse("always"))
    people = {**PEOPLE, "workshop": always}
    assert "would wait" not in said(rules=(), fallback=LONELY, people=people)


def test_one_person_with_nobody_after_them_is_said() -> None:
    assert "one person is told, and nobody after them" in said(rules=(), fallback=LONELY)
    two = replace(LONELY, tell=("workshop", "boss"))
    assert "nobody after them" not in said(rules=(), fallback=two)
    followed = replace(LONELY, steps=(Step(after_ms=MINUTE, tell=("boss",)),))
    assert "nobody after them" not in said(rules=(), fallback=followed)


def test_people_whom_no_way_reached_are_said(tmp_path: Path) -> None:
    database = Database(tmp_path / "heatbook.db")
    tries = [
        ("smtp/ines", "deferred"),
        ("relay:sms/ines", "deferred"),
        ("smtp/omar", "deferred"),
        ("relay:sms/omar", "delivered"),
        ("smtp/boss", "deferred"),
        ("smtp/boss", "delivered"),
        ("smtp/workshop", "delivered"),
        ("smtp/workshop", "abandoned"),
    ]
    with database.write() as tx:
        tx.executemany(
            "INSERT INTO attempt (notice_id, destination, time_ms, outcome, detail) "
            "VALUES ('n', ?, 0, ?, 'refused: 550')",
            tries,
        )
    with database.read() as conn:
        found = list(unreached(conn, PLAN))
    database.close()
    assert [(each.level, each.what.partition(" was")[0]) for each in found] == [
        ("fault", "Ines"),
        ("fault", "Workshop"),
    ]


@pytest.mark.parametrize("refused", [False, True])
def test_somebody_is_tried_out_by_each_of_their_ways(folder: Path, refused: bool) -> None:
    port = free_port()
    settings = folder / "heatbook.toml"
    text = settings.read_text(encoding="utf-8").replace(
        'host = "mail.northfold.example"',
        f'host = "127.0.0.1"\nport = {port}\nsecurity = "none"',
    )
    settings.write_text(text, encoding="utf-8")
    side = MailSide()
    if refused:
        side.refused = {"workshop@northfold.example": "550 no such box"}
    with mail_side(side, port):
        shown = run(folder, "people", "test", "workshop", code=int(refused), columns=200)
    assert "Foreman of the workshop by smtp workshop@northfold.example" in shown
    assert ("fault" in shown) is refused
    assert len(side.received) == (0 if refused else 1)


def test_somebody_who_is_not_there_cannot_be_tried_out(folder: Path) -> None:
    done = invoke(folder, "people", "test", "inse")
    assert "nearest known name is 'ines'" in str(done.exception)


def test_check_tries_channels_with_readers_of_their_own_and_everybody_by_each_way(
    folder: Path,
) -> None:
    port, dead = free_port(), free_port()
    settings = folder / "heatbook.toml"
    text = settings.read_text(encoding="utf-8").replace(
        'host = "mail.northfold.example"',
        f'host = "127.0.0.1"\nport = {port}\nsecurity = "none"',
    )
    text = text.replace("sms.northfold.example", f"127.0.0.1:{dead}")
    settings.write_text(text, encoding="utf-8")
    with mail_side(MailSide(), port) as side:
        shown = run(folder, "check", "--no-broker", "--notice", code=1, columns=300)
    assert "channel log took a test notice" in shown
    assert "channel smtp" not in shown
    plan = plan_of(load_settings(config=settings, env={}))
    assert plan is not None
    people = {person.name: person.ways for person in plan.people.values()}
    for name, ways in people.items():
        for way in ways:
            took = f"{name} by {way.channel} {way.address} took a test notice"
            assert (took in shown) is (way.channel == "smtp")
    mailed = sum(way.channel == "smtp" for ways in people.values() for way in ways)
    assert len(side.received) == mailed
