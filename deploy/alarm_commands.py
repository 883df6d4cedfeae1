"""``heatbook alarms``: what stands, what happened and who was told; answering, and letting go."""

from __future__ import annotations

import sqlite3
from datetime import tzinfo
from typing import Annotated

import typer

from alerts import history, ledger, outbox
from alerts.alarm import HELD, LATCHED
from alerts.ledger import Alarm
from alerts.lifecycle import CameAgain, acknowledge, reset
from alerts.outbox import Entry
from alerts.phrases import HEADS, number_of
from deploy import hold_commands
from deploy.alarm_desk import NAMED, AlarmIds, Who, alarm_of, cover_of, teller_of
from deploy.database import beside_daemon, read_only
from deploy.desk import Desk, desk_of
from deploy.figures_command import figures_command
from deploy.options import Config
from deploy.printing import foreign, grid, say, show, table
from review.alarm_lines import alarm_lines
from review.alarm_list import urgency
from review.alarm_words import EVENTS, outcome_words, state_words
from review.measures import minute
from review.problems import Mistake

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="What stands, what happened and who was told; acknowledge, hold back, let go, reset.",
)
app.command("figures")(figures_command)

Comment = Annotated[
    str, typer.Option(help="Anything worth keeping: what was found, what was done.")
]


@app.command("list")
def list_command(config: Config = None) -> None:
    """List the alarms that stand: the most urgent first, what is over or held after them."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        found = sorted(ledger.standing(conn), key=urgency)
        covers = {alarm.id: cover_of(conn, desk, alarm) for alarm in found}
    teller = teller_of(desk)
    made = table(
        "Alarm",
        "Priority",
        "Truck",
        "What",
        "State",
        "Since",
        wide=("Truck", "What", "State", "Since"),
    )
    for alarm in found:
        made.add_row(
            alarm.id[:NAMED],
            alarm.priority.name.lower(),
            foreign(alarm.vehicle),
            foreign(teller.say(alarm).title),
            foreign(state_words(alarm, covers[alarm.id], desk.zone)),
            minute(alarm.onset_ms, desk.zone),
        )
    if found:
        show(made)
    said = number_of(len(found), "alarm stands", "alarms stand")
    say(f"{said}." if found else "No alarm stands.")


@app.command("show")
def show_command(
    alarm: Annotated[str, typer.Argument(help="The alarm, as listed.")], config: Config = None
) -> None:
    """Show an alarm: what was seen, what to do, what happened to it, who was told when."""
    desk = desk_of(config)
    with read_only(desk.store) as conn:
        found = alarm_of(conn, alarm)
        cover = cover_of(conn, desk, found)
        happened = history.events(conn, found.id)
        told = outbox.entries(conn, alarm_id=found.id)
    said = state_words(found, cover, desk.zone)
    reason = [("Held by", f"{cover.by}: {cover.reason}")] if cover else []
    show(grid([("State", said), *reason, *alarm_lines(found, desk.units)]))
    made = table(
        "When", "What happened", "By", "Comment", wide=("What happened", "By", "Comment")
    )
    for each in happened:
        when = minute(each.time_ms, desk.zone)
        made.add_row(when, EVENTS[each.event], foreign(each.by), foreign(each.comment))
    show(made)
    _show_told(told, desk.zone)


@app.command("acknowledge")
def acknowledge_command(
    alarms: AlarmIds, who: Who = None, comment: Comment = "", config: Config = None
) -> None:
    """Say that somebody knows: reminders end; the alarm stands until its condition is over."""
    desk = desk_of(config, who)
    with beside_daemon(desk.store) as tx:
        done = [_acknowledge(tx, desk, name, comment) for name in alarms]
    for line in done:
        say(line)


@app.command("reset")
def reset_command(
    alarms: AlarmIds, who: Who = None, comment: Comment = "", config: Config = None
) -> None:
    """End alarms that wait for a look, once somebody has looked at the truck."""
    desk = desk_of(config, who)
    with beside_daemon(desk.store) as tx:
        for found in [alarm_of(tx, name) for name in alarms]:
            _check_reset(found)
            reset(tx, found.id, by=desk.who, now_ms=desk.now_ms(), comment=comment)
    say(f"{len(alarms)} reset by {desk.who}.")


def _acknowledge(tx: sqlite3.Connection, desk: Desk, name: str, comment: str) -> str:
    found = alarm_of(tx, name)
    called = f"{found.id[:NAMED]}, {found.vehicle}"
    if found.state in HELD:
        cover = cover_of(tx, desk, found)
        return f"{called}: {state_words(found, cover, desk.zone)}; nothing to acknowledge"
    try:
        known = acknowledge(tx, found.id, by=desk.who, now_ms=desk.now_ms(), comment=comment)
    except CameAgain:
        raise Mistake(
            f"{called} is over and came again as another alarm; 'heatbook alarms list' names it"
        ) from None
    if known == found:
        return f"{called}: {state_words(found, None, desk.zone)} already"
    return f"{called}: acknowledged by {desk.who}"


def _check_reset(alarm: Alarm) -> None:
    if alarm.state in LATCHED:
        return
    why = "its condition still holds" if alarm.active else "it does not wait for a look"
    raise Mistake(
        f"{alarm.id[:NAMED]} cannot be reset: {why}; only an alarm that is over and 'to be looked "
        "at' can"
    )


def _show_told(told: list[Entry], zone: tzinfo) -> None:
    if not told:
        say("Nobody was told.")
        return
    made = table(
        "Told", "To", "When", "What came of it", wide=("Told", "To", "What came of it")
    )
    for entry in told:
        when = minute(entry.settled_ms or entry.due_ms, zone)
        matter, to = HEADS[entry.matter].capitalize(), foreign(entry.destination)
        made.add_row(matter, to, when, foreign(outcome_words(entry)))
    show(made)


app.add_typer(hold_commands.app)
