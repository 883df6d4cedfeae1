"""``heatbook alarms``: holding a truck's alarms back on purpose, and letting go of them."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Annotated

import typer

from alerts import hold, holds
from alerts.alarm import State
from alerts.holds import HELD_WORDS, BadHold
from alerts.policy import Policy
from deploy import record_options as options
from deploy.alarm_desk import Who, check_kind, check_truck, end_of, policy_of
from deploy.database import beside_daemon, read_only
from deploy.desk import Desk, desk_of
from deploy.options import Config
from deploy.printing import foreign, say, show, table
from review.alarm_words import until_words
from review.measures import minute
from review.problems import Mistake

app = typer.Typer(rich_markup_mode=None)

Kind = Annotated[
    str | None,
    typer.Argument(help="Only alarms of this kind, such as overcooled. Default: all."),
]
Until = Annotated[
    str | None,
    typer.Option(help="Until when: 8h or 3d from now, a time, or a date (its noon)."),
]
Reason = Annotated[str, typer.Option(help="Why: for whoever misses the alarm.")]


@app.command("shelve")
def shelve_command(
    truck: options.Truck,
    reason: Reason,
    until: Annotated[str, typer.Option(help="Until when: 8h or 3d from now, a time, a date.")],
    kind: Kind = None,
    who: Who = None,
    config: Config = None,
) -> None:
    """Put a truck's alarms aside for a while: nobody is told; they come back by themselves."""
    _place(State.SHELVED, truck, kind, until, reason, who, config)


@app.command("suppress")
def suppress_command(
    truck: options.Truck,
    reason: Reason,
    kind: Kind = None,
    until: Until = None,
    who: Who = None,
    config: Config = None,
) -> None:
    """Expect no sense from a truck's alarms: it is in the shop, or out of season."""
    _place(State.SUPPRESSED, truck, kind, until, reason, who, config)


@app.command("out-of-service")
def out_of_service_command(
    truck: options.Truck,
    reason: Reason,
    kind: Kind = None,
    until: Until = None,
    who: Who = None,
    config: Config = None,
) -> None:
    """Take a truck's alarms out of service: its sensors are broken or it is laid up."""
    _place(State.OUT_OF_SERVICE, truck, kind, until, reason, who, config)


@app.command("holds")
def holds_command(config: Config = None) -> None:
    """List what is held back: which truck, which alarms, by whom, why and until when."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        found = hold.standing(conn, desk.now_ms())
    made = table(
        "No.",
        "Truck",
        "Alarms",
        "Held",
        "By",
        "Since",
        "Why",
        wide=("Truck", "Held", "By", "Since", "Why"),
    )
    for each in found:
        made.add_row(
            str(each.id),
            foreign(each.vehicle),
            each.kind or "all",
            f"{HELD_WORDS[each.state]}\n{until_words(each, desk.zone)}",
            foreign(each.by),
            minute(each.from_ms, desk.zone),
            foreign(each.reason),
        )
    if found:
        show(made)
    else:
        say("Nothing is held back.")


@app.command("release")
def release_command(
    numbers: Annotated[
        list[int], typer.Argument(help="Numbers, as 'holds' lists them.", metavar="NUMBER...")
    ],
    who: Who = None,
    config: Config = None,
) -> None:
    """Let go of what is held back: what still stands is told now."""
    desk = desk_of(config, who)
    policy = policy_of(desk)
    with beside_daemon(desk.store) as tx:
        done = [_release(tx, desk, number, policy) for number in numbers]
    for line in done:
        say(line)


def _release(tx: sqlite3.Connection, desk: Desk, number: int, policy: Policy) -> str:
    try:
        freed = holds.release(tx, number, by=desk.who, now_ms=desk.now_ms(), policy=policy)
    except LookupError:
        raise Mistake(
            f"no hold {number} stands; 'heatbook alarms holds' lists those that do"
        ) from None
    told = sum(alarm.state is State.UNACKNOWLEDGED for alarm in freed)
    return f"Hold {number} ended by {desk.who}; of what it held back, {told} still stand."


def _place(
    state: State,
    truck: str,
    kind: str | None,
    until: str | None,
    reason: str,
    who: str | None,
    config: Path | None,
) -> None:
    desk = desk_of(config, who)
    check_kind(kind)
    with beside_daemon(desk.store) as tx:
        check_truck(tx, desk, truck)
        try:
            placed = holds.place(
                tx,
                state=state,
                vehicle=truck,
                kind=kind,
                until_ms=end_of(desk, until),
                by=desk.who,
                reason=reason,
                now_ms=desk.now_ms(),
                policy=policy_of(desk),
            )
        except BadHold as error:
            raise Mistake(str(error)) from None
    made = placed.hold
    say(
        f"Hold {made.id}: {kind or 'all alarms'} of {truck} {HELD_WORDS[state]} "
        f"{until_words(made, desk.zone)} by {made.by}; {len(placed.alarms)} that stood held back."
    )
