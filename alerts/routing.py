"""Who is told of what: rules, rotas and hours turned into people. Pure.

All rules that match count, and each person is told once. Where none matches the fallback is told, so
that no alarm is lost. Outside somebody's hours a lesser notice waits until they begin.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from types import MappingProxyType

from alerts.hours import Hours, inside, next_start_ms
from alerts.people import Person
from alerts.rota import Rota, on_duty
from alerts.watch import EVERYBODY
from models.transition import Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Subject:
    """What is to be told, as far as it decides who is told."""

    vehicle: str
    kind: str
    priority: Priority


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Whom to tell when nobody has acknowledged ``after_ms`` after the first telling [ms]."""

    after_ms: int
    tell: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """Of what whom to tell: ``tell`` names people and rotas.

    An empty set, or no ``hours``, asks for nothing. With trucks and groups both, either will do.
    """

    name: str
    tell: tuple[str, ...]
    min_priority: Priority = Priority.LOW
    kinds: frozenset[str] = frozenset()
    trucks: frozenset[str] = frozenset()
    groups: frozenset[str] = frozenset()
    hours: Hours | None = None
    steps: tuple[Step, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everybody who can be told, and by what rules.

    ``groups``: those of each truck. ``zone``: that of the rules' hours, the fleet's. Of
    ``at_any_hour`` and above people are told outside their hours too. A critical alarm that nobody
    acknowledges after the last step is told again ``repeats`` times, each after ``repeat_ms``.
    """

    people: Mapping[str, Person]
    rotas: Mapping[str, Rota] = field(default_factory=lambda: MappingProxyType({}))
    rules: tuple[Rule, ...] = ()
    fallback: Rule
    groups: Mapping[str, frozenset[str]] = field(default_factory=lambda: MappingProxyType({}))
    zone: tzinfo = UTC
    at_any_hour: Priority = Priority.CRITICAL
    repeat_ms: int = 15 * 60_000
    repeats: int = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """One person to be told: ``not_before_ms`` [Unix ms] is 0 for at once.

    ``because`` says by what: the rule, and the rota where it went through one.
    """

    person: Person
    not_before_ms: int
    because: tuple[str, ...]


def matching(plan: Plan, subject: Subject, now_ms: int) -> tuple[Rule, ...]:
    """Give the rules that say whom to tell; the fallback where none does."""
    found = tuple(rule for rule in plan.rules if _matches(plan, rule, subject, now_ms))
    return found or (plan.fallback,)


def calls(plan: Plan, subject: Subject, now_ms: int) -> tuple[Call, ...]:
    """Give everybody who is told of a subject at ``now_ms`` [Unix ms], each once."""
    rules = matching(plan, subject, now_ms)
    named = [(name, rule.name) for rule in rules for name in rule.tell]
    return called(plan, named, subject.priority, now_ms)


def called(
    plan: Plan, named: Iterable[tuple[str, str]], priority: Priority, now_ms: int
) -> tuple[Call, ...]:
    """Turn names of people and rotas, each with the reason, into people, each once."""
    reasons: dict[str, tuple[str, ...]] = {}
    for name, because in named:
        for key, reason in _behind(plan, name, because, now_ms):
            reasons[key] = (*reasons.get(key, ()), reason)
    return tuple(
        Call(
            person=plan.people[key],
            not_before_ms=not_before_ms(plan, plan.people[key], priority, now_ms),
            because=tuple(dict.fromkeys(found)),
        )
        for key, found in reasons.items()
    )


def not_before_ms(plan: Plan, person: Person, priority: Priority, now_ms: int) -> int:
    """Give when a person may be told at the earliest [Unix ms]: 0 for at once.

    While somebody is on duty the rota's hours hold beside their own.
    """
    if priority >= plan.at_any_hour:
        return 0
    starts = [next_start_ms(person.hours, now_ms, person.zone)]
    starts += [
        next_start_ms(rota.hours, now_ms, rota.zone)
        for rota in plan.rotas.values()
        if rota.hours is not None and on_duty(rota, now_ms).person == person.key
    ]
    earliest_ms = min(starts)
    return earliest_ms if earliest_ms > now_ms else 0


def steps(plan: Plan, subject: Subject, told_ms: int) -> tuple[Step, ...]:
    """Give the steps of all rules that matched at ``told_ms``, in order, one for each time."""
    by_time: dict[int, tuple[str, ...]] = {}
    for rule in matching(plan, subject, told_ms):
        for step in rule.steps:
            by_time[step.after_ms] = (*by_time.get(step.after_ms, ()), *step.tell)
    return tuple(
        Step(after_ms=after_ms, tell=tuple(dict.fromkeys(by_time[after_ms])))
        for after_ms in sorted(by_time)
    )


def _matches(plan: Plan, rule: Rule, subject: Subject, now_ms: int) -> bool:
    return (
        subject.priority >= rule.min_priority
        and (not rule.kinds or subject.kind in rule.kinds)
        and _concerns(plan, rule, subject.vehicle)
        and (rule.hours is None or inside(rule.hours, now_ms, plan.zone))
    )


def _concerns(plan: Plan, rule: Rule, vehicle: str) -> bool:
    """Tell whether a rule is about a truck; what is about all trucks concerns every rule."""
    if not (rule.trucks or rule.groups) or vehicle == EVERYBODY:
        return True
    own = plan.groups.get(vehicle, frozenset())
    return vehicle in rule.trucks or not own.isdisjoint(rule.groups)


def _behind(plan: Plan, name: str, because: str, now_ms: int) -> Iterator[tuple[str, str]]:
    """Give the person behind a name with the reason: themselves, or who is on duty."""
    rota = plan.rotas.get(name)
    if rota is None:
        yield name, because
    else:
        yield on_duty(rota, now_ms).person, f"{because}, on duty in {name}"
