"""Who is told of what: nobody is lost, nobody is told twice, and what is critical never waits."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from alerts.hours import inside, parse
from alerts.policy import Policy, Route, Telling
from alerts.rota import on_duty
from alerts.routing import Plan, Rule, Subject, calls, matching, not_before_ms, steps
from models.transition import Priority
from tests.alerts.northfold import BERLIN, MINUTE, PEOPLE, PLAN, plans, subjects

times = st.integers(1_767_225_600_000, 1_830_297_600_000)


def ms(text: str) -> int:
    return round(datetime.fromisoformat(f"{text}+00:00").timestamp() * 1000)


NOON = ms("2026-06-17T12:00:00")
"""A Wednesday; omar is on duty in this week, 2026-W25 (the 25th of a turn of two that he begins)."""
NIGHT = ms("2026-06-17T02:00:00")


def subject(
    kind: str = "service_due", vehicle: str = "NF-99", priority: Priority = Priority.MEDIUM
) -> Subject:
    return Subject(vehicle=vehicle, kind=kind, priority=priority)


def names(plan: Plan, told: Subject, now_ms: int) -> list[str]:
    return [call.person.key for call in calls(plan, told, now_ms)]


@given(plans, subjects, times)
def test_no_alarm_is_told_to_nobody(plan: Plan, told: Subject, now_ms: int) -> None:
    found = calls(plan, told, now_ms)
    assert found
    keys = [call.person.key for call in found]
    assert len(keys) == len(set(keys))


@given(plans, subjects, times)
def test_what_is_told_at_any_hour_never_waits_and_the_rest_waits_for_hours(
    plan: Plan, told: Subject, now_ms: int
) -> None:
    for call in calls(plan, told, now_ms):
        if told.priority >= plan.at_any_hour:
            assert call.not_before_ms == 0
            continue
        at_ms = call.not_before_ms or now_ms
        own = inside(call.person.hours, at_ms, call.person.zone)
        duty = [
            inside(rota.hours, at_ms, rota.zone)
            for rota in plan.rotas.values()
            if rota.hours and on_duty(rota, now_ms).person == call.person.key
        ]
        assert own or any(duty)
        assert now_ms <= at_ms <= now_ms + 7 * 86_400_000


@given(plans, subjects, times)
def test_every_rule_that_matches_counts_and_no_other(
    plan: Plan, told: Subject, now_ms: int
) -> None:
    expected: set[str] = set()
    for rule in plan.rules:
        about = not (rule.trucks or rule.groups) or (
            told.vehicle == "*"
            or told.vehicle in rule.trucks
            or bool(plan.groups.get(told.vehicle, frozenset()) & rule.groups)
        )
        kind = not rule.kinds or told.kind in rule.kinds
        now = rule.hours is None or inside(rule.hours, now_ms, plan.zone)
        if about and kind and now and told.priority >= rule.min_priority:
            expected |= set(rule.tell)
    wanted = expected or set(plan.fallback.tell)
    people = {
        on_duty(plan.rotas[name], now_ms).person if name in plan.rotas else name
        for name in wanted
    }
    assert {call.person.key for call in calls(plan, told, now_ms)} == people


@given(plans, subjects, times)
def test_the_policy_tells_machines_and_people(plan: Plan, told: Subject, now_ms: int) -> None:
    routes = (Route(channel="log"), Route(channel="hook", min_priority=Priority.HIGH))
    found = Policy(routes=routes, plan=plan).tellings(told, now_ms)
    machines = ["log", "hook"] if told.priority >= Priority.HIGH else ["log"]
    assert [each.destination for each in found[: len(machines)]] == machines
    assert all(each.not_before_ms == 0 for each in found[: len(machines)])
    people = found[len(machines) :]
    assert {each.destination for each in people} == {
        f"smtp/{call.person.key}" for call in calls(plan, told, now_ms)
    }
    assert len({each.destination for each in people}) == len(people)


def test_without_a_plan_the_channels_are_told_as_ever() -> None:
    policy = Policy(routes=(Route(channel="desk"),))
    assert policy.tellings(subject(), NOON) == (Telling(destination="desk"),)


def test_what_no_rule_is_about_goes_to_the_fallback() -> None:
    found = calls(PLAN, subject(), NOON)
    assert [(call.person.key, call.because) for call in found] == [("workshop", ("fallback",))]


def test_all_rules_count_and_each_person_is_told_once() -> None:
    told = subject("bypass_stuck", "NF-01", Priority.HIGH)
    found = {call.person.key: call.because for call in calls(PLAN, told, NOON)}
    assert found == {
        "omar": ("trouble, on duty in night",),
        "ines": ("cooling",),
        "workshop": ("cooling",),
    }


@pytest.mark.parametrize(
    ("vehicle", "told"), [("NF-01", True), ("NF-02", True), ("NF-03", False), ("*", True)]
)
def test_trucks_are_named_or_in_a_group_and_all_of_them_concern_every_rule(
    vehicle: str, told: bool
) -> None:
    found = matching(PLAN, subject("bypass_stuck", vehicle), NOON)
    assert ([rule.name for rule in found] == ["cooling"]) is told


def test_a_rule_counts_in_its_hours_by_the_clock_of_the_fleet() -> None:
    assert names(PLAN, subject("lockup_slip"), NOON) == ["boss"]
    assert names(PLAN, subject("lockup_slip"), NIGHT) == ["workshop"]


def test_outside_their_hours_people_wait_and_critical_does_not() -> None:
    told = subject("bypass_stuck", "NF-02")
    assert {call.not_before_ms for call in calls(PLAN, told, NIGHT)} == {
        ms("2026-06-17T06:00:00")
    }
    urgent = replace(told, priority=Priority.CRITICAL)
    assert {call.not_before_ms for call in calls(PLAN, urgent, NIGHT)} == {0}


def test_high_wakes_people_only_where_the_plan_says_so() -> None:
    high = Priority.HIGH
    boss = PEOPLE["boss"]
    assert not_before_ms(PLAN, boss, high, NIGHT) == ms("2026-06-17T07:00:00")
    assert not_before_ms(replace(PLAN, at_any_hour=high), boss, high, NIGHT) == 0


def test_whoever_is_on_duty_is_told_in_the_hours_of_the_rota() -> None:
    # ines is on duty in 2026-W26; her own hours are those of the day.
    on, off = ms("2026-06-24T02:00:00"), NIGHT
    ines, medium = PEOPLE["ines"], Priority.MEDIUM
    assert not_before_ms(PLAN, ines, medium, on) == 0
    assert not_before_ms(PLAN, ines, medium, off) == ms("2026-06-17T06:00:00")


def test_what_is_told_again_keeps_quiet_hours_too() -> None:
    policy = Policy(plan=PLAN)
    found = policy.again(["log", "smtp/boss"], Priority.MEDIUM, NIGHT)
    assert found == (
        Telling(destination="log"),
        Telling(destination="smtp/boss", not_before_ms=ms("2026-06-17T07:00:00")),
    )
    woken = policy.again(["smtp/boss"], Priority.CRITICAL, NIGHT)
    assert woken == (Telling(destination="smtp/boss"),)
    assert Policy().again(["smtp/boss"], Priority.LOW, NIGHT) == (
        Telling(destination="smtp/boss"),
    )


def test_a_way_that_fails_leads_to_the_next_of_the_same_person() -> None:
    policy = Policy(plan=PLAN)
    assert policy.next_way("smtp/ines") == "relay:sms/ines"
    assert policy.next_way("relay:sms/ines") is None
    for other in ("hook/ines", "smtp/nobody", "smtp", "log"):
        assert policy.next_way(other) is None
    assert Policy().next_way("smtp/ines") is None


def test_who_is_at_the_end_of_a_destination() -> None:
    policy = Policy(plan=PLAN)
    found = policy.recipient("relay:sms/ines")
    assert found is not None
    assert (found.name, found.address) == ("Ines", "ines@northfold.example")
    assert policy.recipient("relay:sms/workshop") is None
    assert policy.recipient("smtp") is None
    assert Policy().recipient("smtp/ines") is None
    assert policy.known("smtp/ines")
    assert policy.known("log")
    assert not policy.known("smtp/gone")


def test_the_steps_of_all_rules_come_in_order_one_for_each_time() -> None:
    told = subject("bypass_stuck", "NF-01", Priority.HIGH)
    more = Rule(
        name="more", tell=("boss",), steps=(replace(PLAN.rules[0].steps[0], tell=("ines",)),)
    )
    found = steps(replace(PLAN, rules=(*PLAN.rules, more)), told, NOON)
    assert [(step.after_ms, step.tell) for step in found] == [
        (10 * MINUTE, ("workshop", "ines")),
        (25 * MINUTE, ("boss",)),
    ]
    assert steps(PLAN, subject(), NOON) == ()


def test_hours_of_the_people_are_those_of_their_zone() -> None:
    far = replace(PEOPLE["boss"], hours=parse("06:00-07:00"), zone=BERLIN)
    # Berlin is two hours ahead of UTC in summer.
    assert not_before_ms(PLAN, far, Priority.LOW, ms("2026-06-17T04:30:00")) == 0
    waits = not_before_ms(PLAN, far, Priority.LOW, ms("2026-06-17T06:30:00"))
    assert waits == ms("2026-06-18T04:00:00")
