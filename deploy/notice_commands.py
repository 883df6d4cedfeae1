"""``heatbook notices``: what waits to be sent, what was given up and why, and sending it again."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import tzinfo
from typing import Annotated

import typer

from alerts import content, sending
from alerts.outbox import Entry, entries
from alerts.phrases import HEADS, number_of
from alerts.sending import Sending, Told, What
from deploy.alarm_desk import alarm_of
from deploy.database import beside_daemon, read_only
from deploy.desk import desk_of
from deploy.options import Config
from deploy.printing import foreign, say, show, table
from review.measures import minute
from review.problems import Mistake

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="What waits to be sent, what was given up and why; send it again.",
)

SHOWN = 100
"""Lines of a list unless asked for more."""

Limit = Annotated[int, typer.Option(min=1, max=100_000, help="At most so many lines.")]


@app.command("waiting")
def waiting_command(config: Config = None, limit: Limit = SHOWN) -> None:
    """List what waits to be sent: to whom, about what, since when, and why it waits."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        count, _ = sending.waiting(conn)
        told = entries(conn, state="pending")
        reports = [
            each for each in sending.sendings(conn, state="pending") if each.what is What.REPORT
        ]
        about = {one.id: sending.vehicle_of(conn, one.alarm_id) for one in told[:limit]}
    made = table(
        "To",
        "About",
        "Since",
        "Next try",
        "Tries",
        "Why",
        wide=("To", "About", "Since", "Next try", "Why"),
    )
    for one in told[:limit]:
        cells = (foreign(one.destination), foreign(_about(one, about[one.id])))
        made.add_row(*cells, *_when(one, desk.zone), foreign(one.last_error))
    for each in reports[: max(0, limit - len(told))]:
        cells = (foreign(each.destination), foreign(_subject(each)))
        made.add_row(*cells, *_when(each, desk.zone), foreign(each.last_error))
    if count:
        show(made)
    said = number_of(count, "notice waits", "notices wait")
    say(f"{said}." if count else "Nothing waits.")


@app.command("given-up")
def given_up_command(config: Config = None, limit: Limit = SHOWN) -> None:
    """List the notices that could not be delivered: to whom, about what, and why."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        dead = sending.dead_letters(conn)
        about = {each.id: _all(each, sending.told(conn, each.id)) for each in dead[-limit:]}
    made = table(
        "Notice", "To", "About", "Given up", "Why", wide=("To", "About", "Given up", "Why")
    )
    for each in dead[-limit:]:
        given_up = minute(each.settled_ms or each.created_ms, desk.zone)
        to = foreign(each.destination)
        made.add_row(
            each.id[:NAMED], to, foreign(about[each.id]), given_up, foreign(each.last_error)
        )
    if dead:
        show(made)
    said = number_of(len(dead), "notice was given up", "notices were given up")
    say(f"{said}. {AGAIN}" if dead else "Nothing was given up.")


@app.command("again")
def again_command(
    notice: Annotated[
        str | None, typer.Argument(help="The notice, as 'given-up' lists it.")
    ] = None,
    channel: Annotated[
        str | None, typer.Option(help="All that this channel gave up, such as smtp.")
    ] = None,
    everything: Annotated[bool, typer.Option("--all", help="All that was given up.")] = False,
    config: Config = None,
) -> None:
    """Send again what was given up; the running daemon does so within seconds."""
    if [notice is not None, channel is not None, everything].count(True) != 1:
        raise Mistake("name one notice, or a channel with --channel, or --all")
    desk = desk_of(config)
    with beside_daemon(desk.store) as tx:
        if notice is None:
            count = sending.resend_all(tx, channel, desk.now_ms())
        else:
            name = _found(notice, sending.dead_letters(tx))
            if not sending.resend(tx, name, desk.now_ms()):
                raise Mistake(
                    "all its alarms were withdrawn since: it would tell what is not so"
                )
            count = 1
    say(f"{count} will be sent again; 'heatbook notices waiting' shows how it goes.")


@app.command("seen")
def seen_command(
    notice: Annotated[str, typer.Argument(help="The notice, as 'given-up' lists it.")],
    who: Annotated[str | None, typer.Option(help="Who says so. Default: this user.")] = None,
    config: Config = None,
) -> None:
    """Take a given-up notice off the list: you know what it tells, or nobody needs it any more."""
    desk = desk_of(config, who)
    with beside_daemon(desk.store) as tx:
        name = _found(notice, sending.dead_letters(tx))
        sending.put_to_rest(tx, name, desk.who)
    say("Off the list; it stays in the log.")


@app.command("log")
def log_command(
    alarm: Annotated[
        str | None, typer.Argument(help="The alarm, as listed. Default: all.")
    ] = None,
    config: Config = None,
    limit: Limit = SHOWN,
    as_json: Annotated[bool, typer.Option("--json", help="For other programs.")] = False,
) -> None:
    """Show who was told of an alarm, when, and what came of every try."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        name = alarm_of(conn, alarm).id if alarm is not None else None
        tries = sending.attempts(conn, alarm_id=name)
    if as_json:
        for each in tries:
            typer.echo(json.dumps({name: getattr(each, name) for name in each.__slots__}))
        return
    made = table(
        "When",
        "To",
        "Notice",
        "What came of it",
        "Detail",
        wide=("When", "To", "What came of it", "Detail"),
    )
    for each in tries[-limit:]:
        to = foreign(each.destination)
        when = minute(each.time_ms, desk.zone)
        made.add_row(
            when, to, each.notice_id[:NAMED], OUTCOMES[each.outcome], foreign(each.detail)
        )
    show(made)


NAMED = 10
"""Signs of a notice's id that a list shows, and that name it."""

AGAIN = "'heatbook notices again NOTICE' sends one again, '--channel NAME' all of a channel."
OUTCOMES = {"delivered": "told", "deferred": "will be tried again", "abandoned": "given up"}


def _found(name: str, dead: Sequence[Sending]) -> str:
    """Give the whole id of a given-up notice from its beginning."""
    found = [each.id for each in dead if each.id.startswith(name)]
    if len(found) != 1:
        what = "several notices begin" if found else "no notice that was given up begins"
        raise Mistake(f"{what} with {name!r}; 'heatbook notices given-up' lists them")
    return found[0]


def _when(waits: Entry | Sending, zone: tzinfo) -> tuple[str, str, str]:
    since, due = minute(waits.created_ms, zone), minute(waits.due_ms, zone)
    return since, due, str(waits.attempts)


def _about(entry: Entry, vehicle: str) -> str:
    return f"{HEADS[entry.matter]} {entry.priority.name} {vehicle}"


def _all(each: Sending, told: Sequence[Told]) -> str:
    """Say what a notice is about: one alarm, so many, or a report by its subject."""
    if not told:
        return _subject(each)
    first = _about(told[0].entry, told[0].alarm.vehicle)
    return first if len(told) == 1 else f"{first} and {len(told) - 1} more"


def _subject(each: Sending) -> str:
    return content.decode(each.content).subject
