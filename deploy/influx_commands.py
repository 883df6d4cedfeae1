"""``heatbook influx``: buckets, how far the feed is, what was refused, what is to be sent again."""

from __future__ import annotations

from contextlib import closing
from typing import Annotated

import typer

from deploy import logs
from deploy.clock import wall_ms
from deploy.database import Database, beside_daemon, read_only
from deploy.desk import Desk, desk_of
from deploy.influx_section import Influx
from deploy.influx_take_over import take_over
from deploy.options import Config, fail
from deploy.printing import foreign, say, show, table, warn
from ingest import feed, journal
from models.units import rfc3339

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="InfluxDB: its buckets, how far it is fed, what it refused, sending again.",
)


@app.command("set-up")
def set_up_command(config: Config = None) -> None:
    """Make the buckets that are missing, and let each keep points as long as the settings say."""
    from ingest.influx_session import Session, Trouble  # noqa: PLC0415 - slow, and rarely needed

    desk, influx = _influx(config)
    archive = desk.settings.archive.kind == "influx"
    try:
        with closing(Session(influx.access())) as session:
            for bucket, keep_s in influx.buckets(archive=archive).items():
                kept_s = session.keep_s(bucket)
                if kept_s is None:
                    session.make_bucket(bucket, keep_s)
                elif kept_s != keep_s:
                    session.keep_for(bucket, keep_s)
                done = (
                    "made" if kept_s is None else "as it was" if kept_s == keep_s else "changed"
                )
                span = "for ever" if keep_s == 0 else f"for {keep_s / 86_400:g} days"
                say(f"Bucket {bucket}: {done}; it keeps points {span}.")
    except Trouble as trouble:
        fail(f"InfluxDB at {influx.url}: {trouble.reason}", 1)


@app.command("state")
def state_command(config: Config = None) -> None:
    """Say how far the feed is, and what keeps it from going on."""
    desk, _ = _influx(config)
    with read_only(desk.store) as conn:
        state = feed.state(conn)
    if state is None:
        say("Nothing was fed yet; the daemon begins with it.")
        return
    say(f"Fed to {state.place}: {state.points} samples.")
    if state.rows_waiting and state.oldest_unsent_ms is not None:
        minutes = (wall_ms() - state.oldest_unsent_ms) / 60_000
        say(f"At most {state.rows_waiting} rows wait, the oldest for {minutes:.0f} min.")
    for number, what in (
        (state.spans_waiting, "spans wait to be sent again"),
        (state.hours_waiting, "hours of trucks wait to be summed up"),
        (state.erasures_waiting, "erased trucks wait to be deleted there"),
        (state.expired, "samples were older than the bucket keeps"),
        (state.refused, "lines were refused for good: 'heatbook influx refused'"),
    ):
        if number:
            say(f"{number} {what}.")
    if state.trouble:
        warn(f"{state.trouble} since {rfc3339(state.trouble_since_ms or 0)}: {state.reason}")
        raise typer.Exit(1)


@app.command("refused")
def refused_command(config: Config = None) -> None:
    """List the lines that the server refused, newest first."""
    desk, _ = _influx(config)
    with read_only(desk.store) as conn:
        found = feed.refused(conn)
    made = table("Truck", "Time", "Why", "Line", wide=("Why", "Line"))
    for each in found:
        made.add_row(
            foreign(each.vehicle),
            rfc3339(each.time_ms),
            foreign(each.reason),
            foreign(each.line),
        )
    show(made)


@app.command("again")
def again_command(
    truck: Annotated[str, typer.Argument(help="Its name.")],
    since: Annotated[str | None, typer.Option(help="A date or time. Default: all.")] = None,
    until: Annotated[str | None, typer.Option(help="A date or time. Default: now.")] = None,
    config: Config = None,
) -> None:
    """Have a truck's samples sent again, from wherever they lie; sent twice they count once."""
    desk, _ = _influx(config)
    since_ms, until_ms = desk.edge(since), desk.edge(until, days=1)
    with beside_daemon(desk.store) as tx:
        row = tx.execute("SELECT id FROM vehicle WHERE name = ?", (truck,)).fetchone()
        if row is None:
            fail(f"no truck is named {truck}; 'heatbook fleet list' names them", 1)
        span = journal.span(tx, vehicle_id=row[0])
        if span is None or not feed.fed(tx):
            fail(f"nothing of {truck} is stored, or nothing is fed yet", 1)
        feed.again(
            tx,
            vehicle_id=row[0],
            first_ms=span[0] if since_ms is None else max(since_ms, span[0]),
            end_ms=span[1] + 1 if until_ms is None else min(until_ms, span[1] + 1),
        )
    say("The daemon sends them after what is new.")


@app.command("take-over")
def take_over_command(config: Config = None) -> None:
    """Copy all months from Parquet files to InfluxDB, compare, and let them count there.

    The daemon must be stopped, and archive.kind still be "parquet"; set it to "influx" afterwards.
    """
    desk, influx = _influx(config)
    logs.set_up("error")
    with closing(Database(desk.store, synchronous=desk.settings.store.synchronous)) as database:
        months = take_over(database, influx)
    say(
        f'{months} months lie in {influx.archive_bucket} now. Set archive.kind = "influx" and start '
        "the daemon; the Parquet files are yours to keep or remove."
    )


def _influx(config: Config) -> tuple[Desk, Influx]:
    desk = desk_of(config)
    if desk.settings.influx is None:
        fail(
            "the settings have no [influx]; add it with url, org and token, as example-heatbook.toml shows",
            78,
        )
    return desk, desk.settings.influx
