"""Who is told, in plain words: people, rules and rotas as the people file has them. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from alerts.hours import inside, next_start_ms
from alerts.people import Person
from alerts.policy import Policy, Route
from alerts.rota import Duty, Rota, duty, on_duty
from alerts.routing import Plan, Rule
from models.transition import Priority

KindWords = Callable[[str], str]
"""Writes a kind of alarm as people call it."""

WEEKS = 5
"""So many weeks of a rota are written out, the present one among them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonLine:
    """One person: by what ways they are told, the first one first, when, and which rotas they are on now.

    ``asleep_until_ms``: when lesser notices reach them again [Unix ms]; None: now.
    """

    name: str
    ways: tuple[str, ...]
    addresses: tuple[str, ...]
    hours: str
    asleep_until_ms: int | None
    on_duty: tuple[str, ...]
    reads: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A week of duty; ``unplanned``: nobody has looked it over yet."""

    name: str
    duty: Duty
    unplanned: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RotaLine:
    """A rota: the week that runs, and those that follow."""

    key: str
    hours: str
    turns: tuple[Turn, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleLine:
    """A rule: of what, whom first, and whom then."""

    name: str
    of: str
    first: str
    then: tuple[str, ...]


def people_lines(plan: Plan, now_ms: int) -> tuple[PersonLine, ...]:
    """Write everybody who can be told."""
    return tuple(_person(plan, each, now_ms) for each in plan.people.values())


def rota_lines(plan: Plan, now_ms: int) -> tuple[RotaLine, ...]:
    """Write who is on duty, and who follows."""
    return tuple(_rota(plan, each, now_ms) for each in plan.rotas.values())


def rule_lines(plan: Plan, kind_words: KindWords) -> tuple[RuleLine, ...]:
    """Write the rules, and last the one that counts where no other does."""
    told = tuple(_rule(plan, each, kind_words) for each in plan.rules)
    last = _rule(plan, plan.fallback, kind_words)
    return (*told, RuleLine(name="otherwise", of=_OTHERWISE, first=last.first, then=last.then))


_OTHERWISE = "what no rule above is about"


def repeat_words(plan: Plan) -> str:
    """Say what comes after the last step of a critical alarm."""
    if not plan.repeats:
        return (
            "A critical alarm that nobody acknowledges is not told again after the last step."
        )
    minutes = plan.repeat_ms / 60_000
    return (
        "A critical alarm that nobody has acknowledged after the last step is told again, "
        f"{plan.repeats} times, every {minutes:g} min."
    )


def any_hour_words(plan: Plan) -> str:
    """Say what reaches people outside their hours."""
    least = plan.at_any_hour
    those = "Critical alarms reach" if least is Priority.CRITICAL else f"{_above(least)} reach"
    return f"{those} people at any hour; lesser ones wait until their hours begin."


def route_words(route: Route) -> str:
    """Say what a channel that is no person is told."""
    of = "every alarm" if route.min_priority is Priority.LOW else _above(route.min_priority)
    return f"{way_words(route.channel)}: {of}"


def way_words(channel: str) -> str:
    """Write a channel as people call it."""
    kind, _, name = channel.partition("/")[0].partition(":")
    return {"smtp": "mail", "log": "the log", "advice": "the truck"}.get(kind, name or kind)


def ways_of(policy: Policy, destination: str) -> Iterator[str]:
    """Give the ways by which somebody is told, the first one first."""
    way: str | None = destination
    while way is not None:
        yield way_words(way)
        way = policy.next_way(way)


def _person(plan: Plan, person: Person, now_ms: int) -> PersonLine:
    inside_now = inside(person.hours, now_ms, person.zone)
    reports = {"digest": "the digest of each morning", "week": "the summary of each week"}
    return PersonLine(
        name=person.name,
        ways=tuple(way_words(each.channel) for each in person.ways),
        addresses=tuple(each.address for each in person.ways),
        hours=person.hours.text or "always",
        asleep_until_ms=None
        if inside_now
        else next_start_ms(person.hours, now_ms, person.zone),
        on_duty=tuple(
            rota.key for rota in plan.rotas.values() if _on(rota, now_ms) == person.key
        ),
        reads=tuple(words for name, words in reports.items() if name in person.reads),
    )


def _on(rota: Rota, now_ms: int) -> str:
    return on_duty(rota, now_ms).person


def _rota(plan: Plan, rota: Rota, now_ms: int) -> RotaLine:
    first = on_duty(rota, now_ms).week
    turns = (duty(rota, first.after(nth)) for nth in range(WEEKS))
    return RotaLine(
        key=rota.key,
        hours=rota.hours.text if rota.hours else "",
        turns=tuple(
            Turn(
                name=plan.people[each.person].name,
                duty=each,
                unplanned=rota.planned_until is not None and each.week > rota.planned_until,
            )
            for each in turns
        ),
    )


def _rule(plan: Plan, rule: Rule, kind_words: KindWords) -> RuleLine:
    return RuleLine(
        name=rule.name,
        of=_of(rule, kind_words),
        first=_told(plan, rule.tell),
        then=tuple(
            f"after {step.after_ms / 60_000:g} min: {_told(plan, step.tell)}"
            for step in sorted(rule.steps, key=lambda step: step.after_ms)
        ),
    )


def _of(rule: Rule, kind_words: KindWords) -> str:
    parts = [_above(rule.min_priority)]
    if rule.kinds:
        parts.append("about " + _either(sorted(map(kind_words, rule.kinds))))
    about = [f"group {each}" for each in sorted(rule.groups)]
    about = [*sorted(rule.trucks), *about]
    if about:
        parts.append("of " + _either(about))
    if rule.hours is not None:
        parts.append(f"found {rule.hours.text}")
    return ", ".join(parts)


def _above(least: Priority) -> str:
    if least is Priority.LOW:
        return "alarms of every priority"
    if least is Priority.CRITICAL:
        return "critical alarms"
    return f"alarms of {least.name.lower()} priority and above"


def _told(plan: Plan, names: Iterable[str]) -> str:
    return _listed([_named(plan, name) for name in names]) or "nobody"


def _named(plan: Plan, name: str) -> str:
    if name in plan.rotas:
        return f"whoever is on duty in {name}"
    return plan.people[name].name if name in plan.people else name


def _listed(words: Sequence[str]) -> str:
    return _joined(words, "and")


def _either(words: Sequence[str]) -> str:
    return _joined(words, "or")


def _joined(words: Sequence[str], last: str) -> str:
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"
