"""``heatbook fleet``: the trucks of the store as they stand, and their service record."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from alerts.ledger import alarms
from deploy import (
    file_commands,
    history_commands,
    record_commands,
    sample_command,
    truck_commands,
)
from deploy import record_options as options
from deploy.card import card, card_lines
from deploy.database import read_only
from deploy.desk import Desk, desk_of
from deploy.history_commands import remarks
from deploy.options import Config
from deploy.printing import foreign, grid, say, show, table, warn
from deploy.standing_row import list_row
from review.alarm_lines import alarm_lines
from review.pictures.file_names import drawable
from review.reading import Stored, no_account
from review.standing import Standing, due_date, due_interval, standing_of

app = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="The trucks, their fills and their service record.",
)

AsJson = Annotated[bool, typer.Option("--json", help="JSON lines, one a truck.")]


@app.command("list")
def list_command(config: Config = None, as_json: AsJson = False) -> None:
    """List every truck that was heard: its account, next service, what is unseen or never came."""
    desk = desk_of(config)
    found = _standings(desk)
    if as_json:
        for _, standing in found:
            typer.echo(_line(standing))
        return
    numbers = ("Life", "Unseen", "Missing")
    columns = ("Truck", "Newest", "Life", "Service due", "Unseen", "Missing")
    made = table(*columns, right=numbers, wide=("Truck",))
    for truck, standing in found:
        made.add_row(*list_row(truck, standing, desk.units))
    if found:
        show(made)


@app.command("due")
def due_command(config: Config = None, as_json: AsJson = False) -> None:
    """List the next services, the first one first."""
    desk = desk_of(config)
    found = sorted(_standings(desk), key=lambda pair: pair[1].due.median_ms or math.inf)
    if as_json:
        for truck, standing in found:
            plain = {"vehicle": truck.name, "title": standing.title}
            typer.echo(_line({**plain, **msgspec.to_builtins(standing.due)}))
        return
    numbers = ("Heat", "Distance", "Age")
    made = table(
        "Truck", "Due (8 in 10)", "By", *numbers, right=numbers, wide=("Truck", "Due (8 in 10)")
    )
    for truck, standing in found:
        due = standing.due
        shares = (due.share_by_heat, due.share_by_distance, due.share_by_age)
        made.add_row(
            foreign(truck.name),
            f"{due_date(due, desk.units)}\n{due_interval(due, desk.units)}".strip(),
            due.reason,
            *("–" if math.isnan(share) else f"{share:.0%}" for share in shares),
        )
    if found:
        show(made)


@app.command("show")
def show_command(
    truck: options.Truck,
    picture: options.Picture = None,
    histogram: Annotated[
        Path | None, typer.Option(help="Also draw time at temperature: a .svg or .png.")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="As one JSON object.")] = False,
    config: Config = None,
) -> None:
    """Show a truck's account: how sure it is and why, what it rests on, the next service."""
    desk = desk_of(config)
    drawable(picture)
    drawable(histogram)
    with read_only(desk.store) as conn:
        stored = desk.reader.truck(conn, truck)
        raised = [
            each for each in alarms(conn, vehicle=truck) if each.active and not each.withdrawn
        ]
    if stored.state is None:
        warn(no_account(truck, stored.standing))
        raise typer.Exit(1)
    now_ms = desk.now_ms()
    found = card(stored, desk.fleet.fluid_of(stored.vehicle), now_ms)
    groups = sorted(desk.groups.get(truck, ()))
    if as_json:
        typer.echo(_line({**msgspec.to_builtins(found), "groups": groups}))
    else:
        told = [("Groups", ", ".join(groups))] if groups else []
        show(grid([*card_lines(found, desk.units), *told]))
        for alarm in raised:
            say("")
            show(grid(alarm_lines(alarm, desk.units)))
        for line in remarks(desk.reader, stored):
            say(line)
    if picture is not None or histogram is not None:
        _draw(desk, stored, picture, histogram)


def _draw(desk: Desk, stored: Stored, picture: Path | None, histogram: Path | None) -> None:
    # Only who asks for a picture waits for the library that draws it.
    from deploy.account_drawing import draw_histogram, draw_life  # noqa: PLC0415

    if picture is not None:
        draw_life(desk, stored, picture)
    if histogram is not None:
        draw_histogram(desk, stored, histogram)


def _standings(desk: Desk) -> list[tuple[Stored, Standing]]:
    with read_only(desk.store) as conn:
        trucks = desk.reader.trucks(conn)
    stale = sum(truck.standing == "out of date" for truck in trucks)
    if stale:
        are = "1 truck is" if stale == 1 else f"{stale} trucks are"
        warn(
            f"{are} not shown: settings or models have changed since the daemon last computed the "
            "account; it does so at its next start"
        )
    elif not any(truck.state is not None for truck in trucks):
        warn("no truck was heard yet")
    now_ms = desk.now_ms()
    return [(each, standing_of(each, now_ms)) for each in trucks if each.standing == "good"]


def _line(value: Any) -> str:
    return msgspec.json.encode(value).decode()


for _commands in (
    record_commands,
    truck_commands,
    sample_command,
    history_commands,
    file_commands,
):
    app.add_typer(_commands.app)
