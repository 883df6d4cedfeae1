"""``heatbook people``: who there is, who is on duty, and who would be told of what."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated

import typer
from rich.console import Console

from alerts.foretelling import Foretold, foretell
from alerts.own.facts import OURSELVES
from alerts.people import Person
from alerts.policy import Policy
from alerts.rota import Rota, duty, on_duty
from alerts.routing import Plan, Subject
from alerts.watch import EVERYBODY
from deploy.check import say_finding
from deploy.desk import Desk, desk_of
from deploy.notice_trial import try_ways
from deploy.options import Config
from deploy.printing import foreign, grid, say, show, table, warn
from deploy.rules import rules_of
from deploy.section import PriorityName
from models.transition import Priority
from review.kinds import EVERY_KIND
from review.measures import minute
from review.problems import Mistake, nearest

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="The people who are told: who is on duty, and who would be told of what.",
)

WEEKS = 4
"""Weeks of duty that a list shows unless asked for more."""


@app.command("list")
def list_command(
    config: Config = None,
    weeks: Annotated[
        int, typer.Option(min=1, max=60, help="So many weeks of each rota.")
    ] = WEEKS,
) -> None:
    """List everybody who can be told, by what ways, and who is on duty now and next."""
    desk = desk_of(config)
    if desk.plan is None:
        say(_NOBODY)
        return
    _show_people(desk.plan, desk.now_ms())
    for rota in desk.plan.rotas.values():
        _show_rota(desk, desk.plan, rota, weeks)


@app.command("told")
def told_command(
    truck: Annotated[
        str,
        typer.Option(
            help="The truck; 'all' for what is about all of them, '@heatbook' for itself."
        ),
    ],
    alarm: Annotated[str, typer.Option(help="The kind of alarm, such as bypass_stuck.")],
    priority: Annotated[PriorityName, typer.Option(help="How urgent it is.")] = "high",
    at: Annotated[
        str | None, typer.Option(help="When it is found: a date or a time. Default: now.")
    ] = None,
    config: Config = None,
) -> None:
    """Say who would be told of an alarm, when and by what way, if nobody acknowledged it. Tells nobody."""
    desk = desk_of(config)
    if alarm not in EVERY_KIND:
        mend = nearest(alarm, EVERY_KIND, "kind")
        raise Mistake(f"no alarm is of the kind {alarm!r}; {mend}")
    vehicle = EVERYBODY if truck == "all" else truck
    if vehicle not in (EVERYBODY, OURSELVES, *desk.fleet.vehicles):
        warn(f"{truck} is not in the fleet file: no rule for its groups counts")
    now_ms = desk.moment(at)
    subject = Subject(vehicle=vehicle, kind=alarm, priority=Priority[priority.upper()])
    policy = rules_of(desk.settings, desk.plan).policy
    say(f"If {alarm} of {truck}, {priority}, is found at {minute(now_ms, desk.zone)}:")
    _show_told(desk, policy, foretell(policy, subject, now_ms), now_ms)
    if desk.plan is None:
        say(_NOBODY)


@app.command("test")
def try_out_command(
    person: Annotated[str, typer.Argument(help="Who, by the name in the people file.")],
    config: Config = None,
) -> None:
    """Send somebody a test notice by each of their ways."""
    desk = desk_of(config)
    people = desk.plan.people if desk.plan else {}
    if person not in people:
        raise Mistake(f"nobody is named {person!r}; {nearest(person, people, 'name')}")
    console = Console(soft_wrap=True)
    worst = 0
    for finding in try_ways(desk.settings, people[person]):
        say_finding(console, finding)
        worst = max(worst, int(finding.level == "fault"))
    raise typer.Exit(worst)


_NOBODY = (
    "There is no people file: each channel of the settings is told by its min_priority. "
    "deploy/example-people.toml shows one; [alerts] people names it."
)


def _show_people(plan: Plan, now_ms: int) -> None:
    lines: list[tuple[str, str]] = []
    for person in plan.people.values():
        by = ", then ".join(f"{way.channel} {way.address}" for way in person.ways)
        on = [rota.key for rota in plan.rotas.values() if _is_on(rota, person, now_ms)]
        duty_now = f"; on duty now: {', '.join(on)}" if on else ""
        lines.append((_called(person), f"{by}\nhours: {person.hours.text}{duty_now}"))
    show(grid(lines))


def _show_rota(desk: Desk, plan: Plan, rota: Rota, weeks: int) -> None:
    say(f"Rota {rota.key}")
    made = table("Week", "From", "Until", "On duty", wide=("From", "Until", "On duty"))
    now = on_duty(rota, desk.now_ms())
    for nth in range(weeks):
        one = duty(rota, now.week.after(nth))
        unplanned = rota.planned_until is not None and one.week > rota.planned_until
        note = " (swapped)" if one.swapped else ""
        note += " (not planned yet)" if unplanned else ""
        made.add_row(
            str(one.week) + (" now" if nth == 0 else ""),
            minute(one.from_ms, rota.zone),
            minute(one.until_ms, rota.zone),
            foreign(plan.people[one.person].name + note),
        )
    show(made)


def _is_on(rota: Rota, person: Person, now_ms: int) -> bool:
    return on_duty(rota, now_ms).person == person.key


def _called(person: Person) -> str:
    return person.key if person.name == person.key else f"{person.name} ({person.key})"


def _show_told(desk: Desk, policy: Policy, found: tuple[Foretold, ...], now_ms: int) -> None:
    made = table("When", "Who", "By", "Because", wide=("Who", "By", "Because"))
    for one in found:
        made.add_row(
            _when(one, desk, now_ms),
            foreign(one.person.name if one.person else "–"),
            foreign(", then ".join(_ways(policy, one.destination))),
            foreign("; ".join(one.because)),
        )
    if found:
        show(made)
    else:
        say("Nobody.")
    if any(one.time_ms > one.due_ms for one in found):
        say("* when their hours begin")


def _ways(policy: Policy, destination: str) -> Iterator[str]:
    """Give the channels by which somebody is told, the first one first."""
    way: str | None = destination
    while way is not None:
        yield way.partition("/")[0]
        way = policy.next_way(way)


def _when(one: Foretold, desk: Desk, now_ms: int) -> str:
    if one.time_ms == now_ms:
        return "at once"
    local = datetime.fromtimestamp(one.time_ms / 1000, UTC).astimezone(desk.zone)
    return f"{local:%a %m-%d %H:%M}" + (_WAITS if one.time_ms > one.due_ms else "")


_WAITS = " *"
