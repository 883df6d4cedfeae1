"""When nobody acknowledges: steps in order, each once, never after an answer, the same after any restart."""

from __future__ import annotations

import sqlite3
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts import ledger, outbox, schema
from alerts.alarm import Matter, State
from alerts.escalation import due_steps, first_told_ms, ladder, tick
from alerts.foretelling import foretell
from alerts.ledger import Alarm
from alerts.policy import Policy, Route
from alerts.routing import Plan, Subject, called, matching, steps
from models.transition import Priority
from models.units import METRIC
from tests.alerts.northfold import MINUTE, PLAN, plans
from tests.alerts.store import memory, transition, worded, write


def ms(text: str) -> int:
    return round(datetime.fromisoformat(f"{text}+00:00").timestamp() * 1000)


NOON = ms("2026-06-17T12:00:00")
"""A Wednesday within everybody's hours; omar is on duty."""
NIGHT = ms("2026-06-17T02:00:00")
PLAINLY = {"words": {}, "units": METRIC, "zone": UTC, "names": {}}
POLICY = Policy(routes=(Route(channel="log"),), plan=PLAN)


def raised(
    conn: sqlite3.Connection,
    policy: Policy = POLICY,
    *,
    now_ms: int = NOON,
    priority: Priority = Priority.HIGH,
    vehicle: str = "NF-03",
    kind: str = "bypass_stuck",
) -> Alarm:
    found = transition(now_ms, now_ms, priority=priority, vehicle=vehicle, kind=kind)
    write(conn, [found], now_ms=now_ms, vehicle=vehicle, policy=policy)
    (alarm,) = ledger.standing(conn)
    return alarm


def reminders(conn: sqlite3.Connection, since_ms: int = 0) -> list[tuple[int, str]]:
    """Give when which destination was reminded, in minutes after ``since_ms``."""
    return [
        ((entry.created_ms - since_ms) // MINUTE, entry.destination)
        for entry in outbox.entries(conn)
        if entry.matter is Matter.REMINDER
    ]


def walk(
    conn: sqlite3.Connection, minutes: range, policy: Policy = POLICY, begin_ms: int = NOON
) -> None:
    for minute in minutes:
        tick(conn, now_ms=begin_ms + minute * MINUTE, policy=policy)


def put(conn: sqlite3.Connection, alarm: Alarm, **changes: object) -> None:
    (held,) = ledger.find(conn, "id = ?", (alarm.id,))
    ledger.save(conn, replace(held, **changes))  # type: ignore[arg-type]  # spelled out by the caller


def test_the_steps_are_told_in_order_each_once() -> None:
    conn = memory()
    raised(conn)
    walk(conn, range(120))
    assert reminders(conn, NOON) == [(10, "smtp/workshop"), (25, "smtp/boss")]


def test_a_critical_one_is_told_again_by_its_last_step_and_not_for_ever() -> None:
    conn = memory()
    raised(conn, priority=Priority.CRITICAL)
    walk(conn, range(400))
    assert reminders(conn, NOON) == [
        (10, "smtp/workshop"),
        *((minute, "smtp/boss") for minute in (25, 40, 55, 70)),
    ]


def test_without_a_step_whoever_was_told_first_is_told_again() -> None:
    conn, policy = memory(), Policy(plan=replace(PLAN, rules=(), repeats=2))
    raised(conn, policy, priority=Priority.CRITICAL)
    walk(conn, range(100), policy)
    assert reminders(conn, NOON) == [(15, "smtp/workshop"), (30, "smtp/workshop")]


def test_after_an_acknowledgement_nobody_is_told() -> None:
    conn = memory()
    alarm = raised(conn)
    walk(conn, range(20))
    put(conn, alarm, state=State.ACKNOWLEDGED)
    walk(conn, range(20, 200))
    assert reminders(conn, NOON) == [(10, "smtp/workshop")]


@pytest.mark.parametrize(
    "changes",
    [
        *({"state": state} for state in State if state is not State.UNACKNOWLEDGED),
        {"withdrawn": True, "active": False, "state": State.NORMAL},
        {"active": False, "state": State.RETURNED},
        {"told_ms": None, "told_priority": 0, "late": True},
    ],
    ids=str,
)
def test_what_needs_no_answer_is_not_escalated(changes: dict[str, object]) -> None:
    conn = memory()
    put(conn, raised(conn, priority=Priority.CRITICAL), **changes)
    walk(conn, range(200))
    assert reminders(conn) == []


def test_what_was_found_late_is_not_escalated() -> None:
    conn = memory()
    hour_ago = NOON - 60 * MINUTE
    found = transition(hour_ago, hour_ago, priority=Priority.CRITICAL, vehicle="NF-03")
    write(conn, [found], now_ms=NOON, vehicle="NF-03", policy=POLICY)
    assert [alarm.late for alarm in ledger.standing(conn)] == [True]
    walk(conn, range(200))
    assert reminders(conn) == []


def test_a_rise_begins_the_steps_anew() -> None:
    conn = memory()
    raised(conn)
    walk(conn, range(15))
    risen_ms = NOON + 15 * MINUTE
    more = transition(risen_ms, NOON, priority=Priority.CRITICAL, vehicle="NF-03")
    write(conn, [more], now_ms=risen_ms, after_ms=NOON, vehicle="NF-03", policy=POLICY)
    walk(conn, range(15, 45))
    assert reminders(conn, NOON) == [
        (10, "smtp/workshop"),
        (25, "smtp/workshop"),
        (40, "smtp/boss"),
    ]


def test_the_minutes_count_from_when_somebody_could_know() -> None:
    """A lesser alarm of the night waits for the day; so do its steps."""
    conn = memory()
    plan = replace(PLAN, fallback=replace(PLAN.fallback, steps=PLAN.rules[0].steps[1:]))
    policy = Policy(plan=plan)
    raised(conn, policy, now_ms=NIGHT, priority=Priority.MEDIUM, kind="service_due")
    walk(conn, range(600), policy, NIGHT)
    # The workshop's hours begin at 06:00; 25 minutes later its step is due, and the boss's hours at 07:00.
    (reminder,) = [e for e in outbox.entries(conn) if e.matter is Matter.REMINDER]
    assert reminder.created_ms == ms("2026-06-17T06:25:00")
    assert reminder.destination == "smtp/boss"
    assert reminder.due_ms == ms("2026-06-17T07:00:00")


def test_whoever_is_on_duty_now_is_told() -> None:
    conn = memory()
    steps_ = (replace(PLAN.rules[0].steps[0], tell=("night",)),)
    policy = Policy(plan=replace(PLAN, rules=(replace(PLAN.rules[0], steps=steps_),)))
    sunday = ms("2026-06-21T23:55:00")
    raised(conn, policy, now_ms=sunday)
    walk(conn, range(30), policy, sunday)
    assert reminders(conn, sunday) == [(10, "smtp/ines")]


def test_after_a_long_stop_all_steps_missed_are_told_and_one_repeat() -> None:
    conn = memory()
    raised(conn, priority=Priority.CRITICAL)
    walk(conn, range(200, 400))
    assert reminders(conn, NOON) == [(200, "smtp/workshop"), (200, "smtp/boss")]


def test_the_alarms_of_one_truck_are_told_again_together() -> None:
    conn = memory()
    raised(conn)
    walk(conn, range(1, 8))
    at_ms = NOON + 7 * MINUTE
    for vehicle, kind in (("NF-03", "over_temperature"), ("NF-02", "bypass_stuck")):
        found = transition(at_ms, at_ms, vehicle=vehicle, kind=kind)
        write(conn, [found], now_ms=at_ms, after_ms=NOON, vehicle=vehicle, policy=POLICY)
    walk(conn, range(8, 60))
    names = {alarm.id: f"{alarm.vehicle} {alarm.kind}" for alarm in ledger.standing(conn)}
    told: dict[str, list[int]] = {}
    for entry in outbox.entries(conn):
        if entry.matter is Matter.REMINDER:
            minute = (entry.created_ms - NOON) // MINUTE
            told.setdefault(names[entry.alarm_id], []).append(minute)
    # Steps after 10 and 25 minutes; another truck's alarm keeps its own time.
    assert told == {
        "NF-03 bypass_stuck": [10, 25],
        "NF-03 over_temperature": [10, 25],
        "NF-02 bypass_stuck": [17, 32],
    }


def test_without_people_nothing_is_escalated() -> None:
    conn, policy = memory(), Policy(routes=(Route(channel="log"),))
    raised(conn, policy, priority=Priority.CRITICAL)
    walk(conn, range(200), policy)
    assert reminders(conn) == []


def test_back_to_normal_goes_to_those_who_were_reminded_too() -> None:
    conn = memory()
    raised(conn)
    walk(conn, range(12))
    over_ms = NOON + 12 * MINUTE
    over = transition(over_ms, NOON, active=False, vehicle="NF-03")
    write(conn, [over], now_ms=over_ms, after_ms=NOON, vehicle="NF-03", policy=POLICY)
    told = {e.destination for e in outbox.entries(conn) if e.matter is Matter.NORMAL}
    assert told == {"log", "smtp/omar", "smtp/workshop"}


def expected(
    plan: Plan, subject: Subject, ticks: list[int], told_ms: int
) -> dict[int, set[str]]:
    """Walk the steps by hand: give whom each tick reminds."""
    first_ms = first_told_ms(plan, subject, told_ms)
    rungs = [(step.after_ms, step.tell, False) for step in steps(plan, subject, told_ms)]
    if subject.priority is Priority.CRITICAL:
        rules = matching(plan, subject, told_ms)
        first = tuple(name for rule in rules for name in rule.tell)
        after_ms, tell, _ = rungs[-1] if rungs else (0, first, False)
        rungs += [
            (after_ms + n * plan.repeat_ms, tell, True) for n in range(1, plan.repeats + 1)
        ]
    found: dict[int, set[str]] = {}
    for now_ms in ticks:
        due = [rung for rung in rungs if now_ms >= first_ms + rung[0]]
        rungs = rungs[len(due) :]
        names = [name for _, tell, again in due if not again for name in tell]
        names += [name for _, tell, again in due[-1:] if again for name in tell]
        if names:
            calls_ = called(plan, [(name, "") for name in names], subject.priority, now_ms)
            found[now_ms] = {call.person.destinations[0] for call in calls_}
    return found


@given(
    plans,
    st.sampled_from(("NF-01", "NF-02", "NF-03", "NF-99")),
    st.sampled_from(Priority),
    st.integers(NOON, NOON + 7 * 86_400_000),
    st.lists(st.integers(1, 45), max_size=12),
    st.none() | st.integers(0, 12),
)
@settings(max_examples=150, deadline=None)
def test_any_plan_is_walked_as_it_says(
    plan: Plan,
    vehicle: str,
    priority: Priority,
    now_ms: int,
    gaps: list[int],
    answered: int | None,
) -> None:
    conn, policy = memory(), Policy(plan=plan)
    alarm = raised(conn, policy, now_ms=now_ms, priority=priority, vehicle=vehicle)
    ticks = [now_ms + MINUTE * sum(gaps[: n + 1]) for n in range(len(gaps))]
    for nth, at_ms in enumerate(ticks):
        if nth == answered:
            put(conn, alarm, state=State.ACKNOWLEDGED)
        tick(conn, now_ms=at_ms, policy=policy)
    subject = Subject(vehicle=vehicle, kind=alarm.kind, priority=priority)
    wanted = expected(plan, subject, ticks[:answered], now_ms)
    found: dict[int, list[str]] = {}
    for entry in outbox.entries(conn):
        if entry.matter is Matter.REMINDER:
            found.setdefault(entry.created_ms, []).append(entry.destination)
            if priority >= plan.at_any_hour:
                assert entry.due_ms == entry.created_ms
    assert {at_ms: sorted(told) for at_ms, told in found.items()} == {
        at_ms: sorted(told) for at_ms, told in wanted.items()
    }


@given(
    plans,
    st.sampled_from(Priority),
    st.integers(NOON, NOON + 7 * 86_400_000),
)
@settings(max_examples=60, deadline=None)
def test_what_is_foretold_is_what_comes(plan: Plan, priority: Priority, now_ms: int) -> None:
    now_ms -= now_ms % MINUTE
    conn, policy = memory(), Policy(routes=(Route(channel="log"),), plan=plan)
    alarm = raised(conn, policy, now_ms=now_ms, priority=priority, vehicle="NF-01")
    subject = Subject(vehicle="NF-01", kind=alarm.kind, priority=priority)
    found = foretell(policy, subject, now_ms)
    for at_ms in sorted({one.due_ms for one in found}):
        tick(conn, now_ms=at_ms, policy=policy)
    told = sorted((e.due_ms, e.destination) for e in outbox.entries(conn))
    assert told == sorted((one.time_ms, one.destination) for one in found)


@pytest.fixture
def files(tmp_path: Path) -> Path:
    path = tmp_path / "store.db"
    with sqlite3.connect(path) as conn:
        for step in schema.STEPS:
            for statement in step:
                conn.execute(statement)
    conn.close()
    return path


def test_a_restart_or_a_crash_at_any_tick_changes_nothing(files: Path) -> None:
    straight = memory()
    raised(straight, priority=Priority.CRITICAL)
    walk(straight, range(100))
    with sqlite3.connect(files) as conn:
        raised(conn, priority=Priority.CRITICAL)
    conn.close()
    for minute in range(100):
        crashed = sqlite3.connect(files)
        tick(crashed, now_ms=NOON + minute * MINUTE, policy=POLICY)
        crashed.rollback()
        crashed.close()
        policy = Policy(routes=(Route(channel="log"),), plan=replace(PLAN))
        with sqlite3.connect(files) as again:
            tick(again, now_ms=NOON + minute * MINUTE, policy=policy)
        again.close()
    with sqlite3.connect(files) as conn:
        assert outbox.entries(conn) == outbox.entries(straight)
    conn.close()


@given(plans, st.sampled_from(Priority), st.integers(0, 10), st.integers(0, 10**9))
def test_steps_are_due_in_order_and_never_before_their_time(
    plan: Plan, priority: Priority, taken: int, since_ms: int
) -> None:
    subject = Subject(vehicle="NF-01", kind="bypass_stuck", priority=priority)
    rungs = ladder(plan, subject, NOON)
    due = due_steps(rungs, first_ms=NOON, taken=taken, now_ms=NOON + since_ms)
    places = [place for place, _ in due]
    assert places == sorted(set(places))
    assert all(place >= taken for place in places)
    assert all(step.after_ms <= since_ms for _, step in due)
    assert len(rungs.steps) <= len(steps(plan, subject, NOON)) + plan.repeats


def test_a_reminder_says_since_when_and_who_was_told() -> None:
    conn = memory()
    raised(conn)
    # What went out and arrived, and what went out and did not.
    worded(conn, NOON + MINUTE, channel="smtp", **PLAINLY)
    walk(conn, range(12))
    (first,) = [e for e in outbox.entries(conn) if e.matter is Matter.REMINDER]
    said = "Nobody has acknowledged this alarm since 2026-06-17 12:00:00 UTC (UTC+00:00)."
    assert first.remark == f"{said} Told so far: Omar."
    walk(conn, range(12, 30))
    last = [e for e in outbox.entries(conn) if e.matter is Matter.REMINDER][-1]
    assert last.remark == f"{said} Told so far: Omar, Workshop (not reached yet)."
    notice, _ = worded(conn, NOON + 30 * MINUTE, channel="smtp", **PLAINLY)
    assert notice.subject.startswith("NOBODY HAS ACKNOWLEDGED HIGH NF-03")
    assert f"{said} Told so far: Omar." in notice.body
    (alarm,) = ledger.standing(conn)
    assert alarm.remark == ""


def test_after_the_clock_was_put_back_the_minutes_count_from_then() -> None:
    conn = memory()
    raised(conn)
    day_ms = 86_400_000
    walk(conn, range(60), begin_ms=NOON - day_ms)
    assert reminders(conn, NOON - day_ms) == [(10, "smtp/workshop"), (25, "smtp/boss")]


def test_people_who_have_left_are_not_named() -> None:
    conn = memory()
    raised(conn)
    gone = replace(PLAN, people={k: v for k, v in PLAN.people.items() if k != "omar"})
    rotas = {"night": replace(PLAN.rotas["night"], turn=("ines",))}
    walk(conn, range(12), Policy(plan=replace(gone, rotas=rotas)))
    (reminder,) = [e for e in outbox.entries(conn) if e.matter is Matter.REMINDER]
    assert reminder.remark.endswith("12:00:00 UTC (UTC+00:00).")
