"""Who would be told of an alarm, when, and by what way, if nobody acknowledged it. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from alerts.escalation import first_told_ms, ladder
from alerts.people import Person
from alerts.policy import Policy
from alerts.routing import Call, Plan, Subject, called, calls


@dataclass(frozen=True, slots=True, kw_only=True)
class Foretold:
    """One telling to come: at ``time_ms`` [Unix ms]; ``due_ms`` is when it would be without quiet hours.

    ``person`` is None where a channel tells no person. ``step``: 0 for the first telling.
    """

    destination: str
    person: Person | None
    time_ms: int
    due_ms: int
    step: int
    because: tuple[str, ...]


def foretell(policy: Policy, subject: Subject, now_ms: int) -> tuple[Foretold, ...]:
    """Give everybody who would be told of an alarm found at ``now_ms`` [Unix ms], in order of time."""
    machines = [
        Foretold(
            destination=route.channel,
            person=None,
            time_ms=now_ms,
            due_ms=now_ms,
            step=0,
            because=("every alarm",),
        )
        for route in policy.routes
        if subject.priority >= route.min_priority
    ]
    if policy.plan is None:
        return tuple(machines)
    first = [_of(call, now_ms, 0) for call in calls(policy.plan, subject, now_ms)]
    return (*machines, *sorted((*first, *_steps(policy.plan, subject, now_ms)), key=_order))


def _steps(plan: Plan, subject: Subject, now_ms: int) -> list[Foretold]:
    found: list[Foretold] = []
    first_ms = first_told_ms(plan, subject, now_ms)
    rungs = ladder(plan, subject, now_ms)
    for place, step in enumerate(rungs.steps):
        due_ms = first_ms + step.after_ms
        because = f"step {place + 1}" if place < rungs.repeats_from else "told again"
        named = [(name, because) for name in step.tell]
        found += [
            _of(call, due_ms, place + 1)
            for call in called(plan, named, subject.priority, due_ms)
        ]
    return found


def _of(call: Call, due_ms: int, step: int) -> Foretold:
    return Foretold(
        destination=call.person.destinations[0],
        person=call.person,
        time_ms=max(call.not_before_ms, due_ms),
        due_ms=due_ms,
        step=step,
        because=call.because,
    )


def _order(told: Foretold) -> tuple[int, int]:
    return told.time_ms, told.step
