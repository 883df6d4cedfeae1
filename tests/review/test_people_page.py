"""Who is told, on the console: as the plan has it, and as the machine foretells. No outside source."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import AbstractContextManager
from dataclasses import replace
from html import unescape
from pathlib import Path

import pytest
from hypothesis import given

from alerts.foretelling import foretell
from alerts.policy import Policy, Route
from alerts.rota import on_duty
from alerts.routing import Plan, Subject
from deploy.database import Database
from models.transition import Priority
from review.access.visitor import Role
from review.installation import Installation
from review.people_words import people_lines, repeat_words, rota_lines, rule_lines, way_words
from tests.alerts.northfold import NIGHT, PLAN, plans
from tests.review.northfold_day import END_MS, POLICY
from tests.review.stage import Stage, house_of, served, signed_in

WITH_PEOPLE = replace(POLICY, plan=PLAN, routes=(Route(channel="log"),))


@pytest.fixture(scope="module")
def at(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Stage]:
    with _over(tmp_path_factory.mktemp("people"), WITH_PEOPLE) as at:
        yield at


def _over(folder: Path, policy: Policy) -> AbstractContextManager[Stage]:
    database = Database(folder / "heatbook.db", synchronous="off")
    house = house_of(database)
    file = Installation(people_file="/etc/heatbook/people.toml")
    return served(replace(house, policy=policy, installation=file), database)


def text(page: str) -> str:
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", page)))


def test_it_says_who_is_on_duty_and_who_follows(at: Stage) -> None:
    said = text(at.client.get("/people").text)
    now = on_duty(NIGHT, END_MS)
    follows = on_duty(NIGHT, now.until_ms)
    assert now.person != follows.person
    assert f"{PLAN.people[now.person].name} until" in said
    assert f", then {PLAN.people[follows.person].name}" in said
    assert "/etc/heatbook/people.toml" in said
    assert "read when the daemon starts" in said


def test_rules_stand_there_in_plain_words(at: Stage) -> None:
    said = text(at.client.get("/people").text)
    assert "Of alarms of high priority and above: at once: whoever is on duty in night" in said
    assert "after 10 min: Workshop after 25 min: Boss" in said
    assert "about bypass stuck, of NF-02 or group recovery: at once: Ines and Workshop" in said
    assert "about lockup slip, found mon-fri 06:00-18:00" in said
    assert "what no rule above is about: at once: Workshop" in said
    assert "Critical alarms reach people at any hour" in said
    assert "told again, 3 times, every 15 min" in said


@pytest.mark.parametrize("priority", list(Priority))
@pytest.mark.parametrize("when", ["", "2026-06-20T03:00"])
def test_who_would_be_told_is_as_the_machine_foretells(
    at: Stage, priority: Priority, when: str
) -> None:
    asked = {"truck": "NF-02", "kind": "bypass_stuck", "priority": priority.name.lower()}
    page = at.client.get("/people", params={**asked, "when": when}).text
    lines = re.findall(r'<li><span class="at">.*?</li>', page, re.DOTALL)
    now_ms = 1_781_924_400_000 if when else END_MS  # 2026-06-20T03:00Z
    subject = Subject(vehicle="NF-02", kind="bypass_stuck", priority=priority)
    expected = foretell(WITH_PEOPLE, subject, now_ms)
    assert expected
    assert len(lines) == len(expected)
    for line, told in zip(lines, expected, strict=True):
        assert (told.person.name if told.person else "the log") in line
        assert ("waits until their hours" in line) is (told.time_ms > told.due_ms)
        assert ("at once" in line) is (told.time_ms == now_ms)


@pytest.mark.parametrize(
    "asked",
    [
        {"truck": "NF-02", "kind": "none such", "priority": "high"},
        {"truck": "NF-02", "kind": "bypass_stuck", "priority": "huge"},
        {"truck": "NF-02", "kind": "bypass_stuck", "priority": "high", "when": "soon"},
        {"truck": "<b>" * 99},
    ],
)
def test_what_is_not_understood_is_said(at: Stage, asked: dict[str, str]) -> None:
    said = at.client.get("/people", params=asked)
    assert said.status_code == 422
    assert 'role="alert"' in said.text
    assert "<b>" not in said.text


def test_addresses_are_for_managers_alone(at: Stage) -> None:
    assert "ines@northfold.example" in at.client.get("/people").text
    with signed_in(at, Role.TECHNICIAN) as omar:
        page = omar.get("/people")
    assert page.status_code == 200
    assert "@northfold" not in page.text


def test_without_a_people_file_the_channels_stand_there(tmp_path: Path) -> None:
    policy = replace(POLICY, routes=(Route(channel="smtp", min_priority=Priority.HIGH),))
    with _over(tmp_path, policy) as at:
        said = text(at.client.get("/people").text)
    assert "There is no people file" in said
    assert "mail: alarms of high priority and above" in said


@given(plans)
def test_every_plan_can_be_written_out(plan: Plan) -> None:
    assert [each.name for each in people_lines(plan, END_MS)] == [
        each.name for each in plan.people.values()
    ]
    for line in rota_lines(plan, END_MS):
        moments = [turn.duty.from_ms for turn in line.turns]
        assert moments == sorted(moments)
        assert line.turns[0].duty == on_duty(plan.rotas[line.key], END_MS)
    rules = rule_lines(plan, str)
    assert len(rules) == len(plan.rules) + 1
    assert all(each.first and each.of for each in rules)
    assert repeat_words(plan).endswith(".")


@pytest.mark.parametrize(
    ("channel", "words"),
    [("smtp", "mail"), ("smtp/ines", "mail"), ("relay:sms", "sms"), ("webhook:desk/x", "desk")],
)
def test_ways_are_called_as_people_call_them(channel: str, words: str) -> None:
    assert way_words(channel) == words
