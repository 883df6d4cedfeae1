"""``/people``: who is told of what. It shows the people file and what would come of it; it edits nothing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from starlette.responses import Response
from starlette.routing import BaseRoute

from alerts.foretelling import Foretold, foretell
from alerts.routing import Subject
from alerts.watch import EVERYBODY
from models.transition import Priority
from review.access.visitor import Role
from review.console.alarms import kind_words
from review.console.house import House
from review.console.visit import Visit, route
from review.kinds import EVERY_KIND
from review.measures import moment_ms
from review.people_words import (
    any_hour_words,
    people_lines,
    repeat_words,
    rota_lines,
    route_words,
    rule_lines,
    ways_of,
)
from review.problems import Mistake

PRIORITIES = {each.name.lower(): each for each in reversed(Priority)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What somebody asks about; ``wrong``: what of it is not understood."""

    truck: str
    kind: str
    priority: str
    when: str
    now_ms: int
    wrong: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One telling to come; ``waits``: until somebody's hours begin."""

    time_ms: int
    at_once: bool
    waits: bool
    who: str
    ways: tuple[str, ...]
    because: str


def routes(house: House) -> Sequence[BaseRoute]:
    """Give the route."""
    return (route(house, "/people", _look),)


def _look(visit: Visit) -> Response:
    policy = visit.house.policy
    plan = policy.plan
    now_ms = visit.house.now_ms()
    asked = _asked(visit)
    return visit.page(
        "people.html",
        title="Who is told",
        status=422 if asked and asked.wrong else 200,
        plan=plan,
        people=people_lines(plan, now_ms) if plan else (),
        rotas=rota_lines(plan, now_ms) if plan else (),
        rules=rule_lines(plan, kind_words) if plan else (),
        any_hour=any_hour_words(plan) if plan else "",
        repeats=repeat_words(plan) if plan else "",
        channels=[route_words(each) for each in policy.routes],
        addresses=visit.visitor.may(Role.MANAGER),
        file=visit.house.installation.people_file,
        trucks=[(name, _called(name, visit)) for name in visit.house.board.now().known],
        kinds=sorted(
            ((kind, kind_words(kind)) for kind in EVERY_KIND), key=lambda pair: pair[1]
        ),
        priorities=list(PRIORITIES),
        asked=asked,
        told=_told(visit, asked) if asked and not asked.wrong else (),
    )


def _called(name: str, visit: Visit) -> str:
    title = visit.house.names.get(name, "")
    return f"{name} {title}".rstrip() if title != name else name


def _asked(visit: Visit) -> Asked | None:
    given = visit.request.query_params
    if "truck" not in given:
        return None
    now_ms, wrong = visit.house.now_ms(), ""
    when = given.get("when", "").strip()
    if when:
        try:
            now_ms = moment_ms(when, visit.visitor.units.zone, now_ms)
        except (Mistake, ValueError) as error:
            wrong = str(error)
    kind, priority = given.get("kind", ""), given.get("priority", "")
    if kind not in EVERY_KIND:
        wrong = wrong or "Choose what the alarm is about from the list."
    if priority not in PRIORITIES:
        wrong = wrong or "Choose how urgent it is from the list."
    return Asked(
        truck=given["truck"][:64],
        kind=kind,
        priority=priority,
        when=when[:40],
        now_ms=now_ms,
        wrong=wrong[:1].upper() + wrong[1:],
    )


def _told(visit: Visit, asked: Asked) -> tuple[Told, ...]:
    policy = visit.house.policy
    subject = Subject(
        vehicle=asked.truck or EVERYBODY, kind=asked.kind, priority=PRIORITIES[asked.priority]
    )
    found = foretell(policy, subject, asked.now_ms)
    return tuple(_one(each, visit, asked) for each in found)


def _one(each: Foretold, visit: Visit, asked: Asked) -> Told:
    ways = tuple(ways_of(visit.house.policy, each.destination))
    return Told(
        time_ms=each.time_ms,
        at_once=each.time_ms == asked.now_ms,
        waits=each.time_ms > each.due_ms,
        who=each.person.name if each.person else ways[0],
        ways=ways if each.person else (),
        because="; ".join(each.because),
    )
