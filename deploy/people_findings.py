"""What ``heatbook check`` has to say of the people: whom nobody tells, who hears of what at night, rotas."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from alerts.phrases import number_of
from alerts.rota import on_duty
from alerts.routing import Call, Plan, Subject, calls, steps
from deploy.broker_check import Finding
from deploy.people_file import known_of, load_people
from deploy.settings import Loaded
from models.transition import Priority
from review.problems import BadSettings

AHEAD_WEEKS = 4
"""How long before the end of a plan it is said."""

SLOT_MS = 1_800_000
WEEK_MS = 7 * 86_400_000

OTHER_TRUCK = "a truck that no rule names"
OTHER_KIND = "a kind that no rule names"
_BY_MAIL = " by mail"

_LAST_TRIES = """
SELECT destination, outcome, detail FROM attempt
WHERE seq IN (SELECT max(seq) FROM attempt GROUP BY destination)
"""


def people_findings(loaded: Loaded, *, now_ms: int) -> Iterator[Finding]:
    """Say what is wrong with the people file, and what a person should know of it."""
    if loaded.people_file is None:
        what = "no people file: each channel is told by its own min_priority"
        yield Finding(level="good", what=what)
        return
    try:
        plan = load_people(loaded.people_file, known_of(loaded))
    except BadSettings as error:
        for problem in error.problems:
            # What is wrong with the fleet file is said with the fleet.
            if not problem.path.startswith(str(loaded.fleet_file)):
                what = f"{problem.path}: {problem.what}"
                yield Finding(level="fault", what=what, mend=problem.mend)
        return
    people = number_of(len(plan.people), "person", "people")
    counts = (
        f"{people}, {number_of(len(plan.rotas), 'rota')}, {number_of(len(plan.rules), 'rule')}"
    )
    yield Finding(level="good", what=f"people file {loaded.people_file}: {counts}")
    yield from coverage(plan, trucks=frozenset(plan.groups), now_ms=now_ms)


def unreached(conn: sqlite3.Connection, plan: Plan) -> Iterator[Finding]:
    """Name the people of whose ways none that was tried worked the last time."""
    last = {
        destination: (outcome == "delivered", detail)
        for destination, outcome, detail in conn.execute(_LAST_TRIES)
    }
    for person in plan.people.values():
        tried = [last[each] for each in person.destinations if each in last]
        if tried and not any(worked for worked, _ in tried):
            yield Finding(
                level="fault",
                what=f"{person.name} was not reached the last time, by any way that was tried: "
                f"{tried[0][1]}",
                mend="Mend the address or the channel, or give them another way",
            )


def coverage(plan: Plan, *, trucks: frozenset[str], now_ms: int) -> Iterator[Finding]:
    """Say what a person should know of a plan; ``trucks`` are those of the fleet file."""
    yield from _untold(plan)
    yield from _unknown_trucks(plan, trucks)
    yield from _rotas(plan, now_ms)
    yield from _nights(plan, now_ms)
    yield from _waits(plan, now_ms)
    yield from _single(plan, now_ms)


def _untold(plan: Plan) -> Iterator[Finding]:
    """Name the people and rotas that no rule tells."""
    rules = (*plan.rules, plan.fallback)
    named = {name for rule in rules for name in rule.tell}
    named |= {name for rule in rules for step in rule.steps for name in step.tell}
    for key in plan.rotas.keys() - named:
        yield Finding(
            level="caution", what=f"nobody is told by the rota {key}", mend="Name it in a rule"
        )
    for rota in (plan.rotas[key] for key in plan.rotas.keys() & named):
        named |= {*rota.turn, *rota.swaps.values()}
    for key in sorted(plan.people.keys() - named):
        yield Finding(
            level="caution",
            what=f"{key} is told of nothing",
            mend="Name them in a rule, or take them out of the people file",
        )


def _unknown_trucks(plan: Plan, trucks: frozenset[str]) -> Iterator[Finding]:
    for rule in plan.rules:
        for truck in sorted(rule.trucks - trucks):
            yield Finding(
                level="caution",
                what=f"{rule.name!r} names {truck}, which is not in the fleet file",
                mend="Correct the name, unless the truck is registered in the record",
            )


def _rotas(plan: Plan, now_ms: int) -> Iterator[Finding]:
    for rota in plan.rotas.values():
        now = on_duty(rota, now_ms).week
        if rota.planned_until is None:
            continue
        left = rota.planned_until.since(now)
        if left < AHEAD_WEEKS:
            when = (
                f"ends with {rota.planned_until}"
                if left >= 0
                else f"ended with {rota.planned_until}"
            )
            yield Finding(
                level="caution",
                what=f"the plan of the rota {rota.key} {when}; the turn goes on as it is",
                mend="Look over the weeks to come and set planned_until anew",
            )


def _nights(plan: Plan, now_ms: int) -> Iterator[Finding]:
    """Say who is told of what is critical at night, by what."""
    night_ms = _next(time(2), now_ms, plan.zone)
    by_people: dict[tuple[str, ...], list[Subject]] = {}
    for subject in _subjects(plan, Priority.CRITICAL):
        told = tuple(_by(call) for call in calls(plan, subject, night_ms))
        by_people.setdefault(told, []).append(subject)
    for told, subjects in by_people.items():
        what = f"at 02:00 a critical alarm ({_about(subjects)}) reaches {_and(told)}"
        if all(by.endswith(_BY_MAIL) for by in told):
            mend = "Give them a way that is heard at night, or tell somebody who has one"
            yield Finding(
                level="caution", what=f"{what} only, and mail wakes nobody", mend=mend
            )
        else:
            yield Finding(level="good", what=what)


def _waits(plan: Plan, now_ms: int) -> Iterator[Finding]:
    """Say where a high alarm would lie unread until somebody's hours begin."""
    longest: dict[tuple[int, int], list[Subject]] = {}
    for subject in _subjects(plan, Priority.HIGH):
        wait_ms, at_ms = max(
            (min(call.not_before_ms for call in calls(plan, subject, at_ms)) - at_ms, at_ms)
            for at_ms in range(now_ms, now_ms + WEEK_MS, SLOT_MS)
        )
        if wait_ms > 0:
            longest.setdefault((wait_ms, at_ms), []).append(subject)
    for (wait_ms, at_ms), subjects in longest.items():
        local = datetime.fromtimestamp(at_ms / 1000, UTC).astimezone(plan.zone)
        yield Finding(
            level="caution",
            what=f"a high alarm ({_about(subjects)}) found on {local:%a %H:%M} would wait "
            f"{wait_ms / 3_600_000:.0f} h until somebody's hours begin",
            mend="Tell a rota with hours of its own, or set at_any_hour to high",
        )


def _single(plan: Plan, now_ms: int) -> Iterator[Finding]:
    """Say where one person alone stands between a critical alarm and nobody."""
    lonely = [
        subject
        for subject in _subjects(plan, Priority.CRITICAL)
        if len(calls(plan, subject, now_ms)) == 1 and not steps(plan, subject, now_ms)
    ]
    if lonely:
        yield Finding(
            level="caution",
            what=f"of a critical alarm ({_about(lonely)}) one person is told, and nobody after them",
            mend="Add [[telling.then]] or [[fallback.then]] with somebody else",
        )


def _subjects(plan: Plan, priority: Priority) -> list[Subject]:
    """Give one alarm for each combination that the rules may tell apart."""
    kinds = sorted({kind for rule in plan.rules for kind in rule.kinds})
    trucks = {
        truck: plan.groups.get(truck, frozenset())
        for rule in plan.rules
        for truck in rule.trucks
    }
    named = frozenset[str]().union(*(rule.groups for rule in plan.rules))
    seen: set[frozenset[str]] = set()
    for truck, groups in sorted(plan.groups.items()):
        if truck not in trucks and groups & named and groups & named not in seen:
            seen.add(groups & named)
            trucks[truck] = groups
    return [
        Subject(vehicle=truck, kind=kind, priority=priority)
        for truck in (*sorted(trucks), OTHER_TRUCK if trucks else "any truck")
        for kind in (*kinds, OTHER_KIND if kinds else "any kind")
    ]


def _about(subjects: list[Subject]) -> str:
    trucks = list(dict.fromkeys(subject.vehicle for subject in subjects))
    kinds = list(dict.fromkeys(subject.kind for subject in subjects))
    if len(subjects) == len(trucks) * len(kinds):
        return f"{_some(kinds)}; {_some(trucks)}"
    return f"such as {subjects[0].kind}; {subjects[0].vehicle}"


def _some(names: list[str]) -> str:
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if len(names) > 3 else "")


def _by(call: Call) -> str:
    channel = call.person.ways[0].channel
    return f"{call.person.name}{_BY_MAIL if channel == 'smtp' else f' by {channel}'}"


def _and(names: tuple[str, ...]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))


def _next(at: time, now_ms: int, zone: tzinfo) -> int:
    """Give the next time the clock of ``zone`` shows ``at`` [Unix ms]."""
    now = datetime.fromtimestamp(now_ms / 1000, UTC).astimezone(zone)
    day: date = now.date() if now.time() < at else now.date() + timedelta(days=1)
    return round(datetime.combine(day, at, zone).timestamp() * 1000)
